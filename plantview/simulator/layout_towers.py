"""How the condenser water loops of a plant are piped."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

from plantview.model.plant import Loop, Plant, Port


@dataclass(frozen=True, slots=True)
class TowerLayout:
    """One condenser water loop with its towers."""

    loop: str
    cws: str
    """Header from which the condensers take their water."""
    cells: tuple[str, ...]
    cell_valves: Mapping[str, tuple[str, ...]]
    """Cell -> valves in its branch, which open and shut with it."""
    valve: str
    bypass: str
    """Valve of the tower bypass and the one that moves against it; empty where there is none."""


def towers_of(plant: Plant) -> tuple[TowerLayout, ...]:
    """Return the condenser water loops that have towers."""
    loops = [loop for loop in plant.loops.values() if loop.water == "condenser" and loop.stages_of("tower_cell")]
    return tuple(_towers(plant, loop) for loop in loops)


def _towers(plant: Plant, loop: Loop) -> TowerLayout:
    served = [*loop.stages_of("chiller"), *loop.stages_of("heat_exchanger")]
    branches = [branch for stage in loop.stages_of("tower_cell") for branch in stage.branches]
    valves = {
        cell: _of_kind(plant, branch, "valve") for branch in branches for cell in _of_kind(plant, branch, "tower_cell")
    }
    bypass, valve = _bypass(plant, loop)
    return TowerLayout(loop.id, served[0].start if served else loop.start, tuple(valves), valves, valve, bypass)


def _of_kind(plant: Plant, branch: tuple[Port, ...], kind: str) -> tuple[str, ...]:
    return tuple(port.equipment for port in branch if plant.equipment[port.equipment].kind == kind)


def _bypass(plant: Plant, loop: Loop) -> tuple[str, str]:
    bypass = next((valve for item in loop.bypasses for valve in item.via), "")
    for actuator in plant.actuators.values():
        if bypass in actuator.valves:
            other = [valve for valve in actuator.valves if valve != bypass]
            return bypass, other[0] if other else ""
    return bypass, ""
