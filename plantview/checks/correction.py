"""What a point may really be: a correction to try on a window, with the change of the description that would make it."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Final

import numpy as np

from plantview.calcs.refrigerant import ESTIMATED, REFRIGERANTS
from plantview.checks.law import ROWS_MIN
from plantview.checks.laws_plant import header_pairs
from plantview.checks.window import Window
from plantview.model.plant import Plant
from plantview.model.point import ModbusAddress, Point
from plantview.model.services import WORDS, service_of
from plantview.units import Unit, unit, units_of

NEIGHBOURS: Final = (
    ("chws_temp", "chwr_temp"),
    ("cws_temp", "cwr_temp"),
    ("chws_temp", "cws_temp"),
    ("chwr_temp", "cwr_temp"),
    ("chws_temp", "cwr_temp"),
    ("chwr_temp", "cws_temp"),
    ("evap_pressure", "cond_pressure"),
    ("chw_flow", "cw_flow"),
    ("warm_in_temp", "warm_out_temp"),
    ("cool_in_temp", "cool_out_temp"),
    ("warm_in_temp", "cool_in_temp"),
    ("warm_out_temp", "cool_out_temp"),
    ("entering_temp", "leaving_temp"),
    ("dry_bulb", "wet_bulb"),
    ("suction_pressure", "discharge_pressure"),
)
"""Measurements of one machine whose wires or rows are taken for each other."""
FACTORS: Final[Mapping[str, tuple[float, ...]]] = {
    "flow": (60.0, 15.85, 4.403, 3.6, 10.0, 100.0, 1_000.0),
    "power": (1_000.0, 3.517, 10.0, 100.0),
    "heat_flow": (1_000.0, 3.517, 10.0, 100.0),
    "pressure_difference": (10.0, 100.0, 1_000.0),
    "pressure_gauge": (10.0, 100.0, 1_000.0),
    "pressure_absolute": (10.0, 100.0, 1_000.0),
}
"""Between L/min and L/s, gpm and L/s, gpm and m³/h, m³/h and L/s; W and kW, kW and tons; scales of registers."""
SIGNED: Final = frozenset({"flow", "power", "heat_flow", "pressure_difference"})
ALIKE: Final = 0.03
"""Two factors closer than this are one correction, named by the unit."""
SAME_K: Final = 0.5
SAME_SHARE: Final = 0.8
"""A sensor that stays so close to another for so much of the time reads that pipe (our own choice)."""
OTHER_PRESSURE: Final = {"pressure_gauge": "pressure_absolute", "pressure_absolute": "pressure_gauge"}


@dataclass(frozen=True, slots=True)
class Edit:
    """Cells to change in one row of the point list; ``cells`` empty to take the row out."""

    point: str
    cells: tuple[tuple[str, str], ...]


@dataclass(frozen=True, slots=True)
class Correction:
    """One explanation of broken laws."""

    kind: str
    words: str
    """``CH-1.chws_temp may be swapped with CH-1.chwr_temp``."""
    remedy: str
    points: tuple[str, ...]
    """Points that are not what they are said to be."""
    apply: Callable[[Window], Window]
    edits: tuple[Edit, ...] = ()
    refrigerant: tuple[str, str, str] | None = None
    """Chiller, described and likely refrigerant."""
    removes: bool = False
    """It has no number to offer: the sensor has to be moved."""
    changes: int = 1


def candidates(plant: Plant, window: Window, suspects: Sequence[str]) -> list[Correction]:
    """Return what could be wrong with points whose laws are broken."""
    points = [plant.points[name] for name in suspects if not plant.points[name].states]
    points = [point for point in points if not point.commandable]  # what is commanded is no sensor
    found = list(_swaps(plant, suspects))
    for point in points:
        found += _units(point)
        found += _factors(point)
        if point.quantity in SIGNED:
            found.append(_sign(point))
        if point.quantity == "temperature":
            found += _wrong_pipes(plant, window, point)
    for chiller in dict.fromkeys(point.equipment for point in points if point.measurement in _PRESSURES):
        found += _both_pressures(plant, chiller)
        found += _refrigerants(plant, chiller)
    return found


_PRESSURES: Final = ("evap_pressure", "cond_pressure")


def _swaps(plant: Plant, suspects: Sequence[str]) -> Iterator[Correction]:
    machines = dict.fromkeys(plant.points[name].equipment for name in suspects)
    pairs = [(f"{each}.{one}", f"{each}.{other}") for each in machines for one, other in NEIGHBOURS]
    for one, other in (*pairs, *header_pairs(plant)):
        if {one, other} <= set(suspects):
            yield _swap(plant, one, other)


def _swap(plant: Plant, one: str, other: str) -> Correction:
    def apply(window: Window) -> Window:
        return window.with_values({one: window.of(other), other: window.of(one)})

    first, second = plant.points[one], plant.points[other]
    if first.equipment == second.equipment:
        edits = (Edit(one, (("measurement", second.measurement),)), Edit(other, (("measurement", first.measurement),)))
    else:
        edits = (Edit(one, (("equipment", second.equipment),)), Edit(other, (("equipment", first.equipment),)))
    return Correction("swapped", f"{one} may be swapped with {other}",
                      "exchange the two names in the point list, or the two pairs of wires", (one, other), apply, edits)  # fmt: skip


def _units(point: Point) -> Iterator[Correction]:
    for name in units_of(point.quantity):
        real = unit(name, point.quantity)
        if not _alike(real, point.unit):
            yield _unit(point, real)
    other = OTHER_PRESSURE.get(point.quantity, "")
    for name in units_of(other) if other else ():
        if _alike(unit(name, other), point.unit):
            yield _unit(point, unit(name, other))


def _alike(one: Unit, other: Unit) -> bool:
    return abs(one.factor / other.factor - 1) < ALIKE and abs(one.offset - other.offset) < 1.0


def _unit(point: Point, real: Unit) -> Correction:
    other = real.quantity != point.quantity
    kind = "gauge_absolute" if other else "unit"
    apply = _as_pressure({point.name: real}, {point.name: point}) if other else _scaled(point, real)
    words = f"{point.name} may be in {real.label}, not in {point.unit.label}"
    return Correction(kind, words, f"write {real.name} as its unit", (point.name,), apply,
                      (Edit(point.name, (("unit", real.name),)),))  # fmt: skip


def _scaled(point: Point, real: Unit) -> Callable[[Window], Window]:
    told = point.unit

    def apply(window: Window) -> Window:
        reported = (window.of(point.name) - told.offset) / told.factor
        return window.with_values({point.name: reported * real.factor + real.offset})

    return apply


def _as_pressure(real: dict[str, Unit], points: dict[str, Point]) -> Callable[[Window], Window]:
    """Return the change of gauge to absolute pressures, or the reverse."""

    def apply(window: Window) -> Window:
        values = {name: window.of(name) / points[name].unit.factor * each.factor for name, each in real.items()}
        absolute = frozenset(name for name, each in real.items() if each.quantity == "pressure_absolute")
        return replace(window.with_values(values), absolute=absolute, gauge=frozenset(real) - absolute)

    return apply


def _both_pressures(plant: Plant, chiller: str) -> Iterator[Correction]:
    points = {f"{chiller}.{name}": plant.point(chiller, name) for name in _PRESSURES}
    known = {name: point for name, point in points.items() if point is not None}
    if len(known) < 2 or len({point.unit for point in known.values()}) > 1:
        return
    told = next(iter(known.values())).unit
    for name in units_of(OTHER_PRESSURE[told.quantity]):
        other = unit(name, OTHER_PRESSURE[told.quantity])
        if abs(other.factor / told.factor - 1) > ALIKE:
            continue
        edits = tuple(Edit(point, (("unit", other.name),)) for point in known)
        words = f"the refrigerant pressures of {chiller} may be in {other.label}, not in {told.label}"
        yield Correction("gauge_absolute", words, f"write {other.name} as the unit of both", tuple(known),
                         _as_pressure(dict.fromkeys(known, other), known), edits)  # fmt: skip


def _factors(point: Point) -> Iterator[Correction]:
    known = [unit(name, point.quantity).factor / point.unit.factor for name in units_of(point.quantity)]
    factors = FACTORS.get(point.quantity, ())
    for factor in (*factors, *(1 / each for each in factors)):
        if any(abs(factor / each - 1) < ALIKE for each in known):
            continue
        said = f"{factor:g}" if factor > 1 else f"1/{1 / factor:g}"
        yield _times(point, factor, "factor", f"{point.name} may lack a factor of {said}")


def _sign(point: Point) -> Correction:
    return _times(point, -1.0, "sign", f"{point.name} may have the wrong sign")


def _times(point: Point, factor: float, kind: str, words: str) -> Correction:
    def apply(window: Window) -> Window:
        return window.with_values({point.name: window.of(point.name) * factor})

    if isinstance(point.address, ModbusAddress) and not point.address.offset:
        edits: tuple[Edit, ...] = (Edit(point.name, (("scale", f"{point.address.scale * factor:.6g}"),)),)
        return Correction(kind, words, "correct its scale in the point list", (point.name,), apply, edits)
    return Correction(
        kind, words, "correct it at the controller: a BACnet object is read as it is", (point.name,), apply
    )


def _wrong_pipes(plant: Plant, window: Window, point: Point) -> Iterator[Correction]:
    """Yield every other pipe whose sensor tells the same, the machine's own first."""
    own = window.of(point.name)
    mine = pipe_of(plant, point)
    near = {point.equipment, *(header for loop in plant.loops.values() for header in loop.headers)}
    # not sensors of other machines: one that stands may read anything
    others = [other for other in plant.points.values() if other.equipment in near]
    others = [other for other in others if pipe_of(plant, other) not in {"", mine}]
    seen: set[str] = set()
    for other in sorted(others, key=lambda each: each.equipment != point.equipment) if mine else ():
        apart = np.abs(own - window.of(other.name))
        known, pipe = np.isfinite(apart), pipe_of(plant, other)
        if pipe in seen or known.sum() < ROWS_MIN or (apart[known] < SAME_K).mean() < SAME_SHARE:
            continue
        seen.add(pipe)
        yield Correction(
            "wrong_pipe", f"{point.name} may sit in another pipe, {pipe}: it reads the same as {other.name}"
            f" within {float(np.median(apart[known])):.2f} K", "move the sensor; until then take its row out of the point list",
            (point.name,), _without(point.name), (Edit(point.name, ()),), removes=True,
        )  # fmt: skip


def pipe_of(plant: Plant, point: Point) -> str:
    """Return which water a temperature sensor stands in, in words; empty where that is not known."""
    if point.quantity != "temperature" or point.commandable:
        return ""
    if point.measurement in _PIPES:
        return _PIPES[point.measurement]
    machine = plant.equipment.get(point.equipment)
    if point.measurement in _SIDES and machine is not None:
        return f"{point.equipment} {_SIDES[point.measurement]}"
    for loop in plant.loops.values():
        if point.measurement == "temp" and point.equipment in loop.headers:
            return WORDS[service_of(loop, point.equipment)]
    return ""


_PIPES: Final = {f"{letters.lower()}_temp": words for letters, words in WORDS.items()} | {
    "leaving_temp": WORDS["CWS"],
    "entering_temp": WORDS["CWR"],
}
_SIDES: Final = {
    "warm_in_temp": "warm side in", "warm_out_temp": "warm side out",
    "cool_in_temp": "cool side in", "cool_out_temp": "cool side out",
}  # fmt: skip


def _without(name: str) -> Callable[[Window], Window]:
    return lambda window: window.with_values({name: np.full(window.at_ms.size, np.nan)})


def _refrigerants(plant: Plant, chiller: str) -> Iterator[Correction]:
    described = plant.equipment[chiller].traits.get("refrigerant", "")
    names = tuple(f"{chiller}.{name}" for name in _PRESSURES if plant.point(chiller, name))
    # an estimate 2 % off lies so near to another refrigerant that it would be no evidence
    for other in (name for name in REFRIGERANTS if name not in ESTIMATED):
        if described in REFRIGERANTS and other != described:
            words = f"{chiller} may hold {other}, not {described}: its pressures fit that"
            yield Correction("refrigerant", words, "read the machine's plate, then correct its refrigerant in plant.toml",
                             names, _refrigerant(chiller, other), (), (chiller, described, other))  # fmt: skip


def _refrigerant(chiller: str, other: str) -> Callable[[Window], Window]:
    return lambda window: replace(window, refrigerants={**window.refrigerants, chiller: other})


def together(one: Correction, other: Correction) -> Correction:
    """Return two corrections as one, for two mistakes that meet in one balance."""
    points = tuple(dict.fromkeys((*one.points, *other.points)))
    return Correction(
        one.kind if one.kind == other.kind else "several", f"{one.words}; and {other.words}", f"{one.remedy}; and {other.remedy}",
        points, lambda window: other.apply(one.apply(window)), (*one.edits, *other.edits),
        one.refrigerant or other.refrigerant, one.removes or other.removes, one.changes + other.changes,
    )  # fmt: skip
