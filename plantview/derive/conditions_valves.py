"""Valves and coils: how far open, and who says so."""

from __future__ import annotations

from typing import Final

from plantview.derive.conditions_observed import Observed
from plantview.model.operation import Condition, Operation
from plantview.model.plant import Equipment, Plant

OPEN_PCT: Final = 95.0
CLOSED_PCT: Final = 5.0
"""End positions with the usual tolerance of a position feedback (common practice, no source)."""

QUESTION: Final = "?"


def position(observed: Observed, valve: str) -> tuple[float | None, str]:
    """Return how far a valve is open in %, and where that comes from when it is not its own feedback."""
    own = observed.number(valve, "position")
    if own is not None:
        return own, ""
    coil = coil_of(observed.plant, valve)
    if coil and (at_coil := observed.number(coil, "valve_position")) is not None:
        return at_coil, f"from {coil}"
    shared = _from_actuator(observed, valve)
    if shared is not None:
        return shared
    return observed.number(valve, "command"), "commanded"


def valve_condition(observed: Observed, item: Equipment) -> Condition:
    """Return OPEN, CLOSED, a percentage or ? with the reason."""
    open_pct, source = position(observed, item.id)
    if open_pct is None:
        coil = coil_of(observed.plant, item.id)
        if coil and not observed.has(item.id, "position", "command"):
            return observed.unknown(coil, "valve_position", word=QUESTION)
        return observed.unknown(item.id, "position", "command", word=QUESTION)
    return _opened(open_pct, source, observed.in_hand(item.id))


def coil_condition(observed: Observed, item: Equipment) -> Condition:
    """Return how far the valve of a coil is open, without one whether water flows."""
    open_pct = observed.number(item.id, "valve_position")
    if open_pct is None:
        valves = _of_kind(observed.plant, item.id, "valve")
        open_pct = next((found for valve in valves if (found := position(observed, valve)[0]) is not None), None)
    if open_pct is not None:
        return _opened(open_pct, "", hand=False)
    flow = observed.number(item.id, "flow")
    if flow is None:
        return observed.unknown(item.id, "valve_position", "flow", word=QUESTION)
    return (
        Condition(Operation.RUN, "FLOW", "", hand=False)
        if flow > 0
        else Condition(Operation.OFF, "NO FLOW", "", hand=False)
    )


def coil_of(plant: Plant, valve: str) -> str:
    """Return the one coil that shares a branch with a valve, or nothing."""
    coils = _of_kind(plant, valve, "coil")
    return coils[0] if len(coils) == 1 and len(_of_kind(plant, valve, "valve")) == 1 else ""


def _branch_of(plant: Plant, equipment: str) -> tuple[str, ...]:
    for loop in plant.loops.values():
        for stage in loop.stages:
            for branch in stage.branches:
                names = tuple(port.equipment for port in branch)
                if equipment in names:
                    return names
    return ()


def _of_kind(plant: Plant, equipment: str, kind: str) -> tuple[str, ...]:
    return tuple(name for name in _branch_of(plant, equipment) if plant.equipment[name].kind == kind)


def _from_actuator(observed: Observed, valve: str) -> tuple[float, str] | None:
    for actuator in observed.plant.actuators.values():
        others = [name for name in actuator.valves if name != valve]
        if valve in actuator.valves and len(others) == 1:
            other = observed.number(others[0], "position")
            if other is not None:
                return actuator.sum_pct - other, f"from {others[0]}"
    return None


def _opened(open_pct: float, detail: str, hand: bool) -> Condition:
    if open_pct <= CLOSED_PCT:
        return Condition(Operation.OFF, "CLOSED", detail, hand)
    word = "OPEN" if open_pct >= OPEN_PCT else f"{open_pct:.0f} %"
    return Condition(Operation.RUN, word, detail, hand)
