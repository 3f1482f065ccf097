"""Which proof each machine awaits after which order, in the order in which a plant comes up.

Order of a start: chilled water valve, condenser water valve, chilled water pump, condenser water pump, tower isolation
valve, tower fan, the chiller's own flow proofs, chiller run (ASHRAE Guideline 36 clauses 5.20.2.4 and 5.20.4.16, from
memory). Times without a source in the plant description are common practice, no source: valve twice its stroke, pump
and fan 30 s, flow 60 s, chiller run 300 s.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from dataclasses import dataclass, replace
from typing import Final

from plantview.alarms import Rule
from plantview.alarms.watch import Mismatch
from plantview.model.plant import Equipment, Plant
from plantview.model.point import Point

PUMP_S: Final = 30.0
FLOW_S: Final = 60.0
CHILLER_S: Final = 300.0
STROKES: Final = 2.0
STROKE_S: Final = 60.0
"""Of a valve whose stroke time is not described."""
STEPS: Final = (
    "chilled water valve", "condenser water valve", "chilled water pump", "condenser water pump",
    "tower isolation valve", "tower fan", "chilled water flow proof", "condenser water flow proof", "chiller run",
)  # fmt: skip
CHW_VALVE, CW_VALVE, CHW_PUMP, CW_PUMP, TOWER_VALVE, FAN, CHW_FLOW, CW_FLOW, RUN = range(len(STEPS))


@dataclass(frozen=True, slots=True)
class Proof:
    """One order and what answers it."""

    id: str
    """``CH-1 awaits CH-1.chw_flow_proof``: unique in the plant."""
    machine: str
    step: int
    """Place in ``STEPS``."""
    waits_for: str
    """In trade words: ``run status``, ``V-CH1 not closed``."""
    command: str
    proof: str
    timeout_s: float
    timeout_from: str
    """``usual``, or the alarm that sets it."""
    partly: bool = False
    """A valve without an order of its own may rest anywhere: off its seat is all that can be asked."""


def proofs(plant: Plant, rules: Iterable[Rule] = ()) -> tuple[Proof, ...]:
    """Return every proof of a plant, in start order."""
    set_by: dict[tuple[str, str], Rule] = {}
    for rule in rules:
        if isinstance(rule.watch, Mismatch) and rule.on_delay_s > 0:
            pair = (rule.watch.command.name, rule.watch.signal.name)
            # of several alarms on one pair the shortest waits for the proof, the others for its end
            set_by[pair] = min(set_by.get(pair, rule), rule, key=lambda one: one.on_delay_s)
    found = [_timed(proof, set_by) for equipment in plant.equipment.values() for proof in _of(plant, equipment)]
    return tuple(sorted(found, key=lambda proof: (proof.step, proof.machine, proof.proof)))


def _timed(proof: Proof, set_by: dict[tuple[str, str], Rule]) -> Proof:
    rule = set_by.get((proof.command, proof.proof))
    if rule is None:
        return proof
    return replace(proof, timeout_s=rule.on_delay_s, timeout_from=f"alarm {rule.id}")


def _of(plant: Plant, equipment: Equipment) -> Iterator[Proof]:
    if equipment.kind == "chiller":
        yield from _of_chiller(plant, equipment)
    elif equipment.kind in {"pump", "fan"}:
        step = FAN if equipment.kind == "fan" else CHW_PUMP if _water(plant, equipment.id) != "condenser" else CW_PUMP
        yield from _pair(plant, equipment, step, ("command",), "status", PUMP_S)
    elif equipment.kind == "tower_cell":
        yield from _pair(
            plant, equipment, TOWER_VALVE, ("isolation_valve_command",), "isolation_valve", _stroke_s(equipment)
        )
    elif equipment.kind == "valve":
        step = CW_VALVE if _water(plant, equipment.id) == "condenser" else CHW_VALVE
        yield from _pair(plant, equipment, step, ("command",), "position", _stroke_s(equipment))


def _of_chiller(plant: Plant, chiller: Equipment) -> Iterator[Proof]:
    order = _point(plant, chiller.id, "enable", "command")
    if order is None:
        return
    for loop_water, valve in _branch_valves(plant, chiller.id):
        position = _point(plant, valve, "position")
        if position is not None and _point(plant, valve, "command") is None:
            step = CW_VALVE if loop_water == "condenser" else CHW_VALVE
            proof = _proof(chiller.id, step, f"{valve} not closed", order, position, _stroke_s(plant.equipment[valve]))
            yield replace(proof, partly=True)
    for step, measurement, timeout_s in (
        (CHW_FLOW, "chw_flow_proof", FLOW_S),
        (CW_FLOW, "cw_flow_proof", FLOW_S),
        (RUN, "status", CHILLER_S),
    ):
        yield from _pair(plant, chiller, step, ("enable", "command"), measurement, timeout_s)


def _pair(
    plant: Plant, equipment: Equipment, step: int, orders: tuple[str, ...], measurement: str, timeout_s: float
) -> Iterator[Proof]:
    order, proof = _point(plant, equipment.id, *orders), _point(plant, equipment.id, measurement)
    if order is not None and proof is not None and order.states:  # an order in per cent is a position, not a start
        yield _proof(equipment.id, step, proof.label, order, proof, timeout_s)


def _proof(machine: str, step: int, waits_for: str, order: Point, proof: Point, timeout_s: float) -> Proof:
    return Proof(f"{machine} awaits {proof.name}", machine, step, waits_for, order.name, proof.name, timeout_s, "usual")


def _point(plant: Plant, equipment: str, *measurements: str) -> Point | None:
    return next((found for name in measurements if (found := plant.point(equipment, name)) is not None), None)


def _stroke_s(equipment: Equipment) -> float:
    return STROKES * equipment.design.get("stroke_time", STROKE_S)


def _water(plant: Plant, equipment: str) -> str:
    for loop in plant.loops.values():
        if any(port.equipment == equipment for stage in loop.stages for port in stage.ports()):
            return loop.water
        if any(equipment in bypass.via for bypass in loop.bypasses):
            return loop.water
    return ""


def _branch_valves(plant: Plant, machine: str) -> Iterator[tuple[str, str]]:
    for loop in plant.loops.values():
        for stage in loop.stages:
            for branch in stage.branches:
                names = [port.equipment for port in branch]
                if machine in names:
                    yield from ((loop.water, name) for name in names if plant.equipment[name].kind == "valve")
