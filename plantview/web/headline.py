"""The numbers at the head of the plant page, chosen from the plant description: at most five.

``assets/live.js`` draws them: a bar over ``range`` with a tick for now and a mark at the setpoint;
the eye compares, the number is for speaking aloud. Ranges are in the unit that the signal's readings have.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import asdict, dataclass
from typing import Any, Final

from plantview.model.plant import Plant
from plantview.model.services import service_of
from plantview.model.signal import Signal

SUPPLY_SPAN_K: Final = 6.0
"""The bar of the supply temperature reaches so far to either side of its design value."""
EFFICIENCY_HIGH: Final = 1.2
DELTA_T_SPAN: Final = 1.6
"""Bar of a difference: from zero to so many times its design value."""
APPROACH_HIGH_K: Final = 10.0
HEADLINES_MAX: Final = 5


@dataclass(frozen=True, slots=True)
class Companion:
    """A second value printed below; ``setpoint`` also marks the bar."""

    signal: str
    label: str
    setpoint: bool = False


@dataclass(frozen=True, slots=True)
class Headline:
    """One number with its bar; ``low`` and ``high`` in the canonical unit of its quantity."""

    signal: str
    label: str
    low: float
    high: float
    note: str = ""
    companions: tuple[Companion, ...] = ()


def headlines(plant: Plant, signals: Mapping[str, Signal]) -> list[dict[str, Any]]:
    """Return what this plant's page begins with, as far as its signals exist, ready for JSON."""
    chosen = (*_supply(plant), *_efficiency(plant), *_load(plant), *_delta_t(plant), *_approach(plant))
    return [_row(item, signals) for item in chosen if item.signal in signals][:HEADLINES_MAX]


def _row(item: Headline, signals: Mapping[str, Signal]) -> dict[str, Any]:
    unit = signals[item.signal].unit
    ends = [unit.from_canonical(item.low), unit.from_canonical(item.high)]
    companions = [asdict(one) for one in item.companions if one.signal in signals]
    return {
        "signal": item.signal,
        "label": item.label,
        "range": ends,
        "band": None,
        "note": item.note,
        "companions": companions,
    }


def _design(plant: Plant, kind: str, name: str) -> float | None:
    return next((item.design[name] for item in plant.of_kind(kind) if name in item.design), None)


def _supply(plant: Plant) -> Iterator[Headline]:
    loop = plant.loop_of("chilled")
    design = _design(plant, "chiller", "chws_temp")
    if loop is None or design is None:
        return
    supplies = [header for header in reversed(loop.headers) if service_of(loop, header) == "CHWS"]
    chillers = [chiller.id for chiller in plant.of_kind("chiller")]
    measured = [f"{header}.temp" for header in supplies] + [f"{chiller}.chws_temp" for chiller in chillers]
    wanted = [f"{header}.setpoint" for header in supplies]
    wanted += [f"{chiller}.{name}" for name in ("active_setpoint", "setpoint") for chiller in chillers]
    point = next((name for name in measured if name in plant.points), None)
    setpoint = next((name for name in wanted if name in plant.points), None)
    if point is not None:
        marks = (Companion(setpoint, "setpoint", setpoint=True),) if setpoint is not None else ()
        yield Headline(
            point, "Chilled water supply (CHWS)", design - SUPPLY_SPAN_K, design + SUPPLY_SPAN_K, companions=marks
        )


def _efficiency(plant: Plant) -> Iterator[Headline]:
    if plant.of_kind("chiller"):
        yield Headline("PLANT.kw_per_ton", "Plant efficiency", 0.0, EFFICIENCY_HIGH, "chillers, pumps and tower fans")


def _load(plant: Plant) -> Iterator[Headline]:
    capacity = sum(item.design.get("cooling_capacity", 0.0) for item in plant.of_kind("chiller"))
    if capacity:
        yield Headline(
            "PLANT.cooling_load",
            "Cooling load",
            0.0,
            capacity,
            companions=(Companion("PLANT.power_input", "power input"),),
        )


def _delta_t(plant: Plant) -> Iterator[Headline]:
    cold, warm = (_design(plant, "chiller", name) for name in ("chws_temp", "chwr_temp"))
    if cold is not None and warm is not None:
        yield Headline("PLANT.chw_delta_t", "Chilled water ΔT", 0.0, DELTA_T_SPAN * (warm - cold))


def _approach(plant: Plant) -> Iterator[Headline]:
    if plant.of_kind("tower_cell"):
        wet_bulb = Companion("PLANT.wet_bulb", "wet bulb")
        yield Headline("PLANT.tower_approach", "Tower approach", 0.0, APPROACH_HIGH_K, companions=(wet_bulb,))
