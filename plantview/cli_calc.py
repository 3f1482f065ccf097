"""``plantview calc``: one formula with numbers typed in, so that a figure can be checked by hand."""

from __future__ import annotations

import difflib
import importlib
import inspect
import math
import pkgutil
import re
import textwrap
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Any, Final

from plantview import calcs
from plantview.calcs.load import KW_PER_TON, rule_of_24_tons
from plantview.calcs.refrigerant import ESTIMATED
from plantview.errors import StartRefused
from plantview.units import QUANTITIES, UnknownUnit, parse, shown, unit

SUFFIXES: Final[dict[str, tuple[str, ...]]] = {
    "kw_per_ton": ("efficiency",),
    "c": ("temperature",),
    "k": ("temperature_difference",),
    "l_s": ("flow",),
    "kw": ("heat_flow", "power"),
    "kwh": ("energy",),
    "kpaa": ("pressure_absolute",),
    "kpag": ("pressure_gauge",),
    "kpa": ("pressure_difference",),
    "pct": ("percent", "humidity"),
    "m": ("length",),
    "h": ("hours",),
    "us_cm": ("conductivity",),
}
"""Ending of a name in ``calcs`` -> quantities it stands for; the first is shown."""
_AS_WRITTEN: Final = {
    "kw_k": "kW/K", "kj_kg": "kJ/kg", "kj_kg_k": "kJ/(kg·K)", "kg_m3": "kg/m³", "gpm": "gpm", "f": "°F", "tons": "tons",
    "ton_h": "ton·h",
}  # fmt: skip
"""Endings without a quantity of their own: the number is taken and given in this unit."""
_EASE: Final = {"degF": "delta_degF", "degC": "K"}
"""A difference may be written in degrees; what it is follows from the formula."""
_KINDS: Final = {"bool": "yes", "str": "name", "Sequence": "row"}
"""Word in an annotation -> kind of input; every other input is a number."""
_NUMBER: Final = re.compile(r"([-+]?(?:\d+\.?\d*|\.\d+)(?:[eE][-+]?\d+)?)\s*(.*)")
_NOT_TYPED: Final = ("Callable", "Mapping")
"""Formulas with such an input take other formulas or tables; nobody types those."""


@dataclass(frozen=True, slots=True)
class Input:
    """One input of a formula as a person types it."""

    key: str
    argument: str
    quantities: tuple[str, ...]
    written: str
    """Unit of the plain number, where no quantity is known."""
    default: Any
    kind: str
    """``number``, ``row``, ``name`` or ``yes``."""

    def value(self, text: str) -> float | str | list[float]:
        """Return the canonical number or numbers of a text, or the name; StartRefused says what would be right."""
        if self.kind == "row":
            return self._row(text)
        if self.kind == "name":
            return text
        if self.kind == "yes":
            if text.lower() not in ("yes", "no"):
                raise StartRefused(f"{self.key}={text}: write yes or no")
            return text.lower() == "yes"
        found = _NUMBER.fullmatch(text.strip())
        if found is None or not math.isfinite(float(found[1])):
            raise StartRefused(f"{self.key}={text}: not a number; write it like {self.key}={self.example()}")
        return self._canonical(found[1], found[2].strip(), text)

    def _row(self, text: str) -> list[float]:
        """Return numbers between commas; a unit behind the last is that of all without one."""
        parts = [part.strip() for part in text.split(",")]
        last = _NUMBER.fullmatch(parts[-1])
        common = last[2].strip() if last else ""
        alone = replace(self, kind="number")
        found = (_NUMBER.fullmatch(part) for part in parts)
        whole = [
            f"{part}{common}" if each is not None and not each[2] else part
            for part, each in zip(parts, found, strict=True)
        ]
        if self.quantities and not common:
            raise StartRefused(f"{self.key}={text}: with the unit behind the last number, {self.example()}")
        return [float(alone.value(part)) for part in whole]  # type: ignore[arg-type]

    def _canonical(self, number: str, name: str, text: str) -> float:
        if not self.quantities:
            if name not in ("", self.written):
                raise StartRefused(f"{self.key}={text}: write the number alone, {self.example()}")
            return float(number)
        problem = ""
        for quantity in self.quantities:
            own = _EASE.get(name, name) if quantity == "temperature_difference" else name
            try:
                return parse(f"{number} {own}", quantity)
            except UnknownUnit as error:
                problem = problem or str(error)
        if self.quantities == ("pressure_absolute",) and name.endswith("g"):
            problem = (
                f"'{name}' is a gauge pressure; first: plantview calc absolute gauge={number}{name} station=14.696psia"
            )
        raise StartRefused(
            f"{self.key}={text}: {problem}" if name else f"{self.key}={text}: with its unit, {self.example()}"
        )

    def example(self) -> str:
        """Return a number with the unit that would do."""
        if self.kind == "row":
            one = replace(self, kind="number").example()
            return f"1,2,3{one[1:]}" if self.quantities else "1,2,3"
        if not self.quantities:
            return f"0.5 (in {self.written})" if self.written else "0.5"
        si, ip = (QUANTITIES[self.quantities[0]][place] for place in (0, 1))
        return f"1{si}" if si == ip else f"1{si} or 1{ip}"


def formulas() -> dict[str, Callable[..., Any]]:
    """Return every formula that takes numbers or rows of them, by the name a person types."""
    found: dict[str, Callable[..., Any]] = {}
    for module in pkgutil.iter_modules(calcs.__path__):
        if module.name.startswith("_"):
            continue
        loaded = importlib.import_module(f"{calcs.__name__}.{module.name}")
        for name, member in inspect.getmembers(loaded, inspect.isfunction):
            annotations = [str(each.annotation) for each in inspect.signature(member).parameters.values()]
            typed = not any(word in text for word in _NOT_TYPED for text in annotations)
            if member.__module__ == loaded.__name__ and not name.startswith("_") and typed:
                found[_split(name)[0]] = member
    return dict(sorted(found.items()))


def inputs_of(formula: Callable[..., Any]) -> tuple[Input, ...]:
    """Return what a formula needs, in its order."""
    found = [_input(each) for each in inspect.signature(formula).parameters.values()]
    keys = [each.key for each in found]
    # a flow and its temperature are both called "first": then the unit stays in the name
    return tuple(replace(each, key=each.argument) if keys.count(each.key) > 1 else each for each in found)


def answer(name: str, given: Sequence[str]) -> list[str]:
    """Return the lines that a person reads: the formulas, one formula's inputs, or its result with its source."""
    known = formulas()
    if not name:
        return [
            *(f"  {key:<26} {_first_line(each)}" for key, each in known.items()),
            "",
            "plantview calc NAME says what it needs",
        ]
    if name not in known:
        near = difflib.get_close_matches(name, known, n=1, cutoff=0.4)
        raise StartRefused(
            f"no formula '{name}'; {f'did you mean {near[0]}? ' if near else ''}'plantview calc' lists all"
        )
    formula, wanted = known[name], inputs_of(known[name])
    if not given:
        return [_first_line(formula), "", *_needs(name, wanted), "", *_section(formula, "Source")]
    values = _values(name, wanted, given)
    result = formula(**values)
    lines = [*_echo(wanted, values), *_result(name, formula, float(result)), *_by_rule(name, values, float(result))]
    return [*lines, "", *_section(formula, "Source"), *_estimate(values)]


def _input(parameter: inspect.Parameter) -> Input:
    key, quantities, written = _split(parameter.name)
    told = str(parameter.annotation)
    kind = next((kind for word, kind in _KINDS.items() if word in told), "number")
    return Input(key, parameter.name, quantities if kind in ("number", "row") else (), written, parameter.default, kind)


def _split(name: str) -> tuple[str, tuple[str, ...], str]:
    """Return a name without its unit, the quantities of the unit, and the unit where it has no quantity."""
    if name.endswith("_max"):
        key, quantities, written = _split(name.removesuffix("_max"))
        return f"{key}_max", quantities, written
    for suffix in sorted((*SUFFIXES, *_AS_WRITTEN), key=len, reverse=True):
        if name.endswith(f"_of_{suffix}"):
            return name, (), ""
        if name.endswith(f"_{suffix}"):
            quantities = SUFFIXES.get(suffix, ())
            first = tuple(reversed(quantities)) if suffix == "kw" and "power" in name else quantities
            return name.removesuffix(f"_{suffix}"), first, _AS_WRITTEN.get(suffix, "")
    return name, SUFFIXES.get(name, ()), _AS_WRITTEN.get(name, "")


def _values(name: str, wanted: Sequence[Input], given: Sequence[str]) -> dict[str, Any]:
    by_key = {each.key: each for each in wanted}
    values: dict[str, Any] = {}
    for text in given:
        key, equals, number = text.partition("=")
        if not equals or key not in by_key:
            near = difflib.get_close_matches(key, by_key, n=1, cutoff=0.4)
            hint = f"did you mean {near[0]}=…? " if near else ""
            raise StartRefused(f"'{text}' is no input of {name}; {hint}it needs {', '.join(by_key)}")
        if by_key[key].argument in values:
            raise StartRefused(f"{key} is given twice")
        values[by_key[key].argument] = by_key[key].value(number)
    missing = [each for each in wanted if each.argument not in values and each.default is inspect.Parameter.empty]
    if missing:
        raise StartRefused(f"{name} also needs {', '.join(f'{each.key}={each.example()}' for each in missing)}")
    return values


def _needs(name: str, wanted: Sequence[Input]) -> list[str]:
    lines = [f"plantview calc {name} " + " ".join(f"{each.key}=…" for each in wanted if _required(each))]
    for each in wanted:
        takes = {"name": "a name", "yes": "yes or no"}.get(each.kind, each.example())
        lines.append(
            f"  {each.key:<22} {takes}" + ("" if _required(each) else f"   (else {_told(each, each.default)})")
        )
    return lines


def _said(default: object) -> str:
    return ("yes" if default else "no") if isinstance(default, bool) else f"{default}"


def _required(each: Input) -> bool:
    return each.default is inspect.Parameter.empty


def _echo(wanted: Sequence[Input], values: Mapping[str, Any]) -> list[str]:
    lines = []
    for each in wanted:
        value = values.get(each.argument, each.default)
        lines.append(f"  {each.key:<22} {_told(each, value)}")
    return lines


def _told(each: Input, value: Any) -> str:  # noqa: ANN401 - whatever an input may be
    if each.kind == "row":
        return ", ".join(_both(one, each.quantities[:1], each.written, one_unit=True) for one in value)
    return _both(value, each.quantities, each.written) if each.kind == "number" else _said(value)


def _result(name: str, formula: Callable[..., Any], value: float) -> list[str]:
    _, quantities, written = _split(formula.__name__)
    return [f"= {name:<22} {_both(value, quantities, written)}"]


def _by_rule(name: str, values: Mapping[str, Any], exact_kw: float) -> list[str]:
    """Return the cooling load by the rule of the trade beside the exact one of water, and how far it is from it."""
    if name != "cooling_load" or values.get("fluid", "water") != "water" or exact_kw == 0:
        return []
    flow_gpm = unit("gpm", "flow").from_canonical(values["flow_l_s"])
    by_rule = KW_PER_TON * rule_of_24_tons(flow_gpm, 1.8 * (values["return_c"] - values["supply_c"]))
    apart = f"({100.0 * (by_rule / exact_kw - 1.0):+.2f} %)"
    return [f"  {'by gpm × °F / 24':<22} {_both(by_rule, ('heat_flow',), '')}   {apart}"]


def _estimate(values: Mapping[str, Any]) -> list[str]:
    """Return the doubt about a refrigerant whose curve is an estimate."""
    found = ESTIMATED.get(str(values.get("refrigerant", "")))
    return [f"{values['refrigerant']} is an {found}"] if found else []


def _both(value: float, quantities: Sequence[str], written: str, *, one_unit: bool = False) -> str:
    """Return a canonical number in the unit of calculations and, where another is customary, in that too."""
    if not quantities:
        return f"{value:.6g} {written}".strip()
    quantity = quantities[0]
    units = [unit(QUANTITIES[quantity][0], quantity), shown(quantity, "ip")[0]][: 1 if one_unit else 2]
    texts = dict.fromkeys(f"{each.from_canonical(value):.6g} {each.label}".strip() for each in units)
    return "   ".join(texts)


def _first_line(formula: Callable[..., Any]) -> str:
    return (inspect.getdoc(formula) or "").partition("\n")[0].removeprefix("Return ").rstrip(".")


def _section(formula: Callable[..., Any], name: str) -> list[str]:
    found = re.search(rf"^{name}\n((?: +.*\n|\n)+)", inspect.getdoc(formula) or "", re.MULTILINE)
    lines = [line.strip() for line in found.group(1).splitlines()] if found else []
    return textwrap.wrap(f"{name}: {' '.join(filter(None, lines))}".replace("``", ""), 100, subsequent_indent="  ")
