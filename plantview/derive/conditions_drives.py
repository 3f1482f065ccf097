"""Pumps and fans: what status, command, fault and the local switch say together."""

from __future__ import annotations

from typing import Final

from plantview.derive.conditions_observed import Observed
from plantview.model.operation import Condition, Operation
from plantview.model.plant import Equipment

NOT_PROVEN: Final = "commanded, not proven"
WITHOUT_COMMAND: Final = "runs without command"
TURNING_PCT_MIN: Final = 3.0
"""Above this speed a drive without a status point is taken as turning."""

WORDS: Final = {
    Operation.RUN: "RUN",
    Operation.OFF: "OFF",
    Operation.STARTING: "STARTING",
    Operation.STOPPING: "STOPPING",
    Operation.TRIPPED: "TRIPPED",
    Operation.NOT_AVAILABLE: "NOT AVAILABLE",
}


def drive(observed: Observed, item: Equipment, tripped: frozenset[str]) -> Condition:
    """Return the condition of a pump or a fan."""
    running = proof(observed, item.id)
    commanded = observed.state(item.id, "command")
    fault = _trip_point(observed, item)
    if running is None and observed.has(item.id, "status", "speed"):
        return _unproven(observed, item, fault, tripped)
    return condition(
        observed, item.id, judge(running, commanded, fault, item.id in tripped, _switched_off(observed, item))
    )


def proof(observed: Observed, equipment: str) -> bool | None:
    """Return whether a machine is proven to run: by its status, without one by its speed."""
    if observed.has(equipment, "status"):
        return observed.state(equipment, "status")
    speed = observed.number(equipment, "speed")
    return None if speed is None else speed > TURNING_PCT_MIN


def judge(
    running: bool | None, commanded: bool | None, fault: str, alarmed: bool, switched_off: bool
) -> tuple[Operation, str]:
    """Return the operation and its detail; a machine proven to run is never called tripped or off.

    ``running`` is None where the machine has no proof at all; ``fault`` names the point
    that reports one, or is empty.
    """
    if running:
        if fault:
            return Operation.RUN, f"runs with {fault}"
        return Operation.RUN, WITHOUT_COMMAND if commanded is False else ""
    if fault or alarmed:
        return Operation.TRIPPED, fault or ("status off while commanded" if commanded else "trip alarm")
    if switched_off:
        return Operation.NOT_AVAILABLE, "switch in OFF"
    if commanded:
        return Operation.STARTING, NOT_PROVEN
    if running is False:
        return Operation.OFF, ""
    if commanded is False:
        return Operation.OFF, "commanded off, no status"
    return Operation.UNKNOWN, "not measured"


def condition(observed: Observed, equipment: str, judged: tuple[Operation, str]) -> Condition:
    """Return a condition with the usual word of its operation."""
    operation, detail = judged
    if operation is Operation.UNKNOWN:
        return observed.unknown(equipment, "status", "command", "enable")
    return Condition(operation, WORDS[operation], detail, observed.in_hand(equipment))


def _unproven(observed: Observed, item: Equipment, fault: str, tripped: frozenset[str]) -> Condition:
    """Return what is left to say when the proof cannot be read: only a fault that still reads is certain."""
    if fault:
        return condition(observed, item.id, (Operation.TRIPPED, fault))
    unknown = observed.unknown(item.id, "status", "speed")
    if item.id not in tripped:
        return unknown
    return Condition(unknown.operation, unknown.word, f"{unknown.detail}; tripped when last read", unknown.hand)


def fault_point(observed: Observed, equipment: str, *measurements: str) -> str:
    """Return the name of the first point that reports a fault, or nothing."""
    return next((f"{equipment}.{name}" for name in measurements if observed.state(equipment, name)), "")


def _trip_point(observed: Observed, item: Equipment) -> str:
    own = fault_point(observed, item.id, "drive_fault", "vibration_trip")
    # the vibration switch of a cell stops the fans that belong to it
    return own or (fault_point(observed, item.part_of, "vibration_trip") if item.kind == "fan" else "")


def _switched_off(observed: Observed, item: Equipment) -> bool:
    return observed.word(item.id, "hand_off_auto") == "OFF"
