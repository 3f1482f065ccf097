"""Which points of a plant prove that a machine runs, draws power, or that water moves."""

from __future__ import annotations

from typing import Final

from plantview.derive.gates import AnyRuns, Evidence, Gate, Reaches, Runs
from plantview.model.plant import Equipment, Loop, Plant

IDLE_SHARE: Final = 0.1
"""Of design power: a machine that is "off" but draws more is contradicting itself."""
IDLE_KW: Final = 5.0
"""The same where no design power is given."""
FLOW_SHARE: Final = 0.1
"""Of design flow: below it efficiency is noise (our own choice)."""
FLOW_FLOOR_L_S: Final = 0.5
"""The same where no design flow is given."""
DELTA_T_FLOOR_K: Final = 0.5
"""Below it a pair of sensors of ±0.1 K says little about load (our own choice)."""
OPEN_PCT: Final = 5.0
"""A valve above this lets water through (our own choice; end positions drift by some per cent)."""


def power_signal(plant: Plant, machine: str) -> str:
    """Return the name of the machine's power reading, its own or its meter's; empty where nobody meters it."""
    if plant.point(machine, "power"):
        return f"{machine}.power"
    meters = (meter.id for meter in plant.parts_of(machine, "meter") if plant.point(meter.id, "power"))
    return next((f"{meter}.power" for meter in meters), "")


def runs(plant: Plant, machine: Equipment) -> Runs | None:
    """Return the proof that a machine runs; None where its status is not measured."""
    status = plant.point(machine.id, "status")
    if status is None:
        return None
    design_kw = machine.design.get("power")
    idle_kw = IDLE_KW if design_kw is None else IDLE_SHARE * design_kw
    return Runs(machine.id, status.name, status.states, power_signal(plant, machine.id), idle_kw)


def running(plant: Plant, machine: Equipment) -> tuple[Gate, ...]:
    """Return what proves that a machine runs, by status, else by the power or current it draws."""
    by_status = runs(plant, machine)
    if by_status is not None:
        return (by_status,)
    design_kw = machine.design.get("power")
    idle_kw = IDLE_KW if design_kw is None else IDLE_SHARE * design_kw
    idle = f"{machine.id} draws no power"
    drawn = (
        Evidence(power_signal(plant, machine.id), idle_kw, idle),
        Evidence(f"{machine.id}.current_pct", 10.0, idle),
    )
    return _reaches(plant, drawn)


def water_moves(plant: Plant, chiller: Equipment, side: str) -> tuple[Gate, ...]:
    """Return what proves that water moves through one side (``chw`` or ``cw``) of a chiller."""
    design = chiller.design.get(f"{side}_flow")
    floor = FLOW_FLOOR_L_S if design is None else FLOW_SHARE * design
    stands = f"no {side.upper()} flow through {chiller.id}"
    proof = plant.point(chiller.id, f"{side}_flow_proof")
    moving = (
        Evidence(f"{chiller.id}.{side}_flow", floor, stands),
        Evidence(f"{chiller.id}.{side}_flow_proof", 0.0, stands, proof.states if proof else {}),
    )
    return _reaches(plant, moving) or running(plant, chiller)


def enough_load(plant: Plant, chiller: Equipment, side: str) -> tuple[Gate, ...]:
    """Return what proves that flow and temperature difference are enough for a ratio to mean something."""
    small = f"{side.upper()} ΔT of {chiller.id} is below {DELTA_T_FLOOR_K:g} K"
    return (
        *water_moves(plant, chiller, side),
        Reaches((Evidence(f"{chiller.id}.{side}_delta_t", DELTA_T_FLOOR_K, small),)),
    )


def loop_moves(plant: Plant, loop: Loop) -> tuple[Gate, ...]:
    """Return what proves that water moves in a loop: its pumps, else a header's flow; nothing where nobody tells."""
    ports = (port.equipment for stage in loop.stages for port in stage.ports())
    pumps = [plant.equipment[each] for each in dict.fromkeys(ports) if plant.equipment[each].kind == "pump"]
    statuses = tuple(found for pump in pumps if (found := runs(plant, pump)) is not None)
    if statuses:
        return (AnyRuns(statuses, f"no pump of loop {loop.id} runs"),)
    stands = f"no flow in loop {loop.id}"
    return _reaches(plant, tuple(Evidence(f"{header}.flow", FLOW_FLOOR_L_S, stands) for header in loop.headers))


def any_chiller_runs(plant: Plant) -> tuple[Gate, ...]:
    """Return what proves that a chiller runs; nothing where no status is measured."""
    statuses = tuple(found for chiller in plant.of_kind("chiller") if (found := runs(plant, chiller)) is not None)
    return (AnyRuns(statuses, "no chiller runs"),) if statuses else ()


def _reaches(plant: Plant, evidence: tuple[Evidence, ...]) -> tuple[Gate, ...]:
    measured = tuple(piece for piece in evidence if piece.signal in plant.points)
    return (Reaches(measured),) if measured else ()
