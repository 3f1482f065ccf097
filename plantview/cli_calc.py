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
}  # fmt: skip
"""Endings without a quantity of their own: the number is taken and given in this unit."""
_EASE: Final = {"degF": "delta_degF", "degC": "K"}
"""A difference may be written in degrees; what it is follows from the formula."""
_NUMBER: Final = re.compile(r"([-+]?(?:\d+\.?\d*|\.\d+)(?:[eE][-+]?\d+)?)\s*(.*)")
_NO_SCALARS: Final = ("totals", "uncertainty", "reconcile")
"""Modules whose formulas take rows of numbers or other formulas."""


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
    """``number``, ``name`` or ``yes``."""

    def value(self, text: str) -> float | str:
        """Return the canonical number of a text, or the name; StartRefused says what would be right."""
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
        if not self.quantities:
            return f"0.5 (in {self.written})" if self.written else "0.5"
        si, ip = (QUANTITIES[self.quantities[0]][place] for place in (0, 1))
        return f"1{si}" if si == ip else f"1{si} or 1{ip}"


def formulas() -> dict[str, Callable[..., Any]]:
    """Return every formula that takes single numbers, by the name a person types."""
    found: dict[str, Callable[..., Any]] = {}
    for module in pkgutil.iter_modules(calcs.__path__):
        if module.name.startswith("_") or module.name in _NO_SCALARS:
            continue
        loaded = importlib.import_module(f"{calcs.__name__}.{module.name}")
        for name, member in inspect.getmembers(loaded, inspect.isfunction):
            scalar = not any(
                "Sequence" in str(each.annotation) for each in inspect.signature(member).parameters.values()
            )
            if member.__module__ == loaded.__name__ and not name.startswith("_") and scalar:
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
    return [*_echo(wanted, values), *_result(name, formula, float(result)), "", *_section(formula, "Source")]


def _input(parameter: inspect.Parameter) -> Input:
    key, quantities, written = _split(parameter.name)
    kind = "yes" if "bool" in str(parameter.annotation) else "name" if "str" in str(parameter.annotation) else "number"
    return Input(key, parameter.name, quantities if kind == "number" else (), written, parameter.default, kind)


def _split(name: str) -> tuple[str, tuple[str, ...], str]:
    """Return a name without its unit, the quantities of the unit, and the unit where it has no quantity."""
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
        lines.append(f"  {each.key:<22} {takes}" + ("" if _required(each) else f"   (else {_said(each.default)})"))
    return lines


def _said(default: object) -> str:
    return ("yes" if default else "no") if isinstance(default, bool) else f"{default}"


def _required(each: Input) -> bool:
    return each.default is inspect.Parameter.empty


def _echo(wanted: Sequence[Input], values: Mapping[str, Any]) -> list[str]:
    lines = []
    for each in wanted:
        value = values.get(each.argument, each.default)
        told = _both(value, each.quantities, each.written) if each.kind == "number" else _said(value)
        lines.append(f"  {each.key:<22} {told}")
    return lines


def _result(name: str, formula: Callable[..., Any], value: float) -> list[str]:
    _, quantities, written = _split(formula.__name__)
    return [f"= {name:<22} {_both(value, quantities, written)}"]


def _both(value: float, quantities: Sequence[str], written: str) -> str:
    """Return a canonical number in the unit of calculations and, where another is customary, in that too."""
    if not quantities:
        return f"{value:.6g} {written}".strip()
    quantity = quantities[0]
    units = [unit(QUANTITIES[quantity][0], quantity), shown(quantity, "ip")[0]]
    texts = dict.fromkeys(f"{each.from_canonical(value):.6g} {each.label}".strip() for each in units)
    return "   ".join(texts)


def _first_line(formula: Callable[..., Any]) -> str:
    return (inspect.getdoc(formula) or "").partition("\n")[0].removeprefix("Return ").rstrip(".")


def _section(formula: Callable[..., Any], name: str) -> list[str]:
    found = re.search(rf"^{name}\n((?: +.*\n|\n)+)", inspect.getdoc(formula) or "", re.MULTILINE)
    lines = [line.strip() for line in found.group(1).splitlines()] if found else []
    return textwrap.wrap(f"{name}: {' '.join(filter(None, lines))}".replace("``", ""), 100, subsequent_indent="  ")
