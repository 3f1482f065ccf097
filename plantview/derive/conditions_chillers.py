"""Chillers: the panel's own mode first, then status and enable; and the pumps they cannot do without."""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping
from typing import Final

from plantview.derive.conditions_drives import NOT_PROVEN, WORDS, condition, fault_point, judge
from plantview.derive.conditions_observed import Observed
from plantview.model.operation import Condition, Operation
from plantview.model.plant import Equipment, Plant

MODES: Final = {
    "OFF": Operation.OFF,
    "STOPPED": Operation.OFF,
    "READY": Operation.OFF,
    "STANDBY": Operation.OFF,
    "WAITING FOR FLOW": Operation.STARTING,
    "PRE-LUBE": Operation.STARTING,
    "STARTING": Operation.STARTING,
    "RUN": Operation.RUN,
    "RUNNING": Operation.RUN,
    "STOPPING": Operation.STOPPING,
    "COAST DOWN": Operation.STOPPING,
    "RESTART INHIBIT": Operation.NOT_AVAILABLE,
    "FAULT": Operation.TRIPPED,
    "TRIPPED": Operation.TRIPPED,
}
"""Words of panels, as far as known; another word falls back to status and enable."""

BLOCKED_BY: Final = {Operation.TRIPPED: "tripped", Operation.NOT_AVAILABLE: "not available"}
BLOCKABLE: Final = frozenset({Operation.OFF, Operation.STARTING, Operation.NOT_AVAILABLE})


def chiller(observed: Observed, item: Equipment, tripped: frozenset[str], pumps: Mapping[str, Condition]) -> Condition:
    """Return the condition of a chiller, given those of the pumps."""
    own = _own(observed, item, tripped)
    for pump in dedicated_pumps(observed.plant, item.id):
        why = BLOCKED_BY.get(pumps[pump].operation)
        if why is None:
            continue
        if own.operation in BLOCKABLE:
            return Condition(Operation.NOT_AVAILABLE, WORDS[Operation.NOT_AVAILABLE], f"{pump} {why}", own.hand)
        if own.operation is Operation.RUN:
            return Condition(own.operation, own.word, f"{pump} {why}", own.hand)
    return own


def dedicated_pumps(plant: Plant, chiller_id: str) -> Iterator[str]:
    """Yield the pumps that share a branch with the chiller, on any loop."""
    for loop in plant.loops.values():
        for stage in loop.stages:
            for branch in stage.branches:
                if any(port.equipment == chiller_id for port in branch):
                    yield from (port.equipment for port in branch if plant.equipment[port.equipment].kind == "pump")


def _own(observed: Observed, item: Equipment, tripped: frozenset[str]) -> Condition:
    running = observed.state(item.id, "status")
    mode = observed.word(item.id, "mode")
    if mode in MODES:
        return _by_mode(observed, item.id, mode, running, tripped)
    fault = fault_point(observed, item.id, "fault")
    if running is None and observed.has(item.id, "status", "mode"):
        if fault:
            return condition(observed, item.id, (Operation.TRIPPED, fault))
        return observed.unknown(item.id, "status", "mode")
    enabled = observed.state(item.id, "enable")
    return condition(observed, item.id, judge(running, enabled, fault, item.id in tripped, switched_off=False))


def _by_mode(observed: Observed, equipment: str, mode: str, running: bool | None, tripped: frozenset[str]) -> Condition:
    operation = MODES[mode]
    hand = observed.in_hand(equipment)
    fault = fault_point(observed, equipment, "fault")
    if running and operation not in {Operation.RUN, Operation.STOPPING}:
        return Condition(Operation.RUN, WORDS[Operation.RUN], f"runs, but its mode says {mode}", hand)
    if operation is Operation.RUN:
        if running is False:
            return Condition(
                Operation.STARTING, WORDS[Operation.STARTING], f"{NOT_PROVEN}: mode {mode}, status OFF", hand
            )
        return condition(observed, equipment, judge(True, observed.state(equipment, "enable"), fault, False, False))
    if operation is Operation.TRIPPED or fault or equipment in tripped:
        detail = fault or (f"{equipment}.mode" if operation is Operation.TRIPPED else "trip alarm")
        return Condition(Operation.TRIPPED, WORDS[Operation.TRIPPED], _with_code(observed, equipment, detail), hand)
    return Condition(operation, mode, _restart_text(observed, equipment, operation), hand)


def _with_code(observed: Observed, equipment: str, detail: str) -> str:
    code = observed.number(equipment, "fault_code")
    return f"{detail}, code {code:.0f}" if code else detail


def _restart_text(observed: Observed, equipment: str, operation: Operation) -> str:
    left_s = observed.number(equipment, "restart_time_left")
    if operation is not Operation.NOT_AVAILABLE or not left_s or left_s < 0:
        return ""
    return f"{math.ceil(left_s / 60)} min left"
