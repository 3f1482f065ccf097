"""Tower cells, heat exchangers and basins: whether water is there, and what the fans do."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Final

from plantview.derive.conditions_observed import Observed
from plantview.model.operation import Condition, Operation
from plantview.model.plant import Equipment

WATER_ON: Final = "WATER ON"
WATER_OFF: Final = "WATER OFF"
EMPTY_M: Final = 0.02
"""A level sensor that reads less than this sees no water."""


def tower_cell(
    observed: Observed, item: Equipment, water: bool | None, conditions: Mapping[str, Condition]
) -> Condition:
    """Return whether water runs over the fill, with the fans as the second fact."""
    fans = [conditions[fan.id] for fan in observed.plant.parts_of(item.id, "fan")]
    speeds = [observed.number(fan.id, "speed") for fan in observed.plant.parts_of(item.id, "fan")]
    detail = fan_text(fans, speeds[0] if len(speeds) == 1 else None)
    hand = any(fan.hand for fan in fans)
    if water is not None:
        return _water(water, detail, hand)
    unknown = observed.unknown(item.id, "isolation_valve", "water_flow", "isolation_valve_command")
    why = unknown.detail if unknown.operation is Operation.NO_COMMS else "water: " + unknown.detail
    return Condition(unknown.operation, unknown.word, "; ".join(filter(None, (why, detail))), hand)


def heat_exchanger(moving: tuple[bool | None, ...]) -> Condition:
    """Return whether an exchanger is in use: water must move on all its sides."""
    if False in moving:
        return _water(on=False, detail="", hand=False)
    if None in moving or not moving:
        return Condition(Operation.UNKNOWN, "UNKNOWN", "not measured", hand=False)
    return _water(on=True, detail="", hand=False)


def basin(observed: Observed, item: Equipment) -> Condition:
    """Return what the low level switch, without one the level sensor, says."""
    heater = "HEATER ON" if observed.state(item.id, "heater") else ""
    low = observed.state(item.id, "low_level")
    if low is not None:
        return Condition(Operation.RUN, "LOW LEVEL" if low else "LEVEL NORMAL", heater, hand=False)
    level_m = observed.number(item.id, "level")
    if level_m is None or observed.has(item.id, "low_level"):
        return observed.unknown(item.id, "low_level", "level")
    return Condition(Operation.RUN, "EMPTY" if level_m < EMPTY_M else "WATER", heater, hand=False)


def fan_text(fans: list[Condition], speed_pct: float | None) -> str:
    """Return ``FAN 62 %``, ``FANS 2 of 2 ON``, ``FAN OFF``…; empty for a cell without fans."""
    running = [fan for fan in fans if fan.operation is Operation.RUN]
    if len(fans) == 1:
        if not running:
            return f"FAN {fans[0].word}"
        return "FAN ON" if speed_pct is None else f"FAN {speed_pct:.0f} %"
    if not fans:
        return ""
    rest = [fan.word for fan in fans if fan.operation not in {Operation.RUN, Operation.OFF}]
    if not running and not rest:
        return "FANS OFF"
    return ", ".join([f"FANS {len(running)} of {len(fans)} ON", *(f"1 {word}" for word in rest)])


def _water(on: bool, detail: str, hand: bool) -> Condition:
    return Condition(Operation.RUN, WATER_ON, detail, hand) if on else Condition(Operation.OFF, WATER_OFF, detail, hand)
