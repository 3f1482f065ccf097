"""When a machine runs and its water moves, by states alone: the numbers are what is in question."""

from __future__ import annotations

from collections.abc import Callable
from typing import Final

import numpy as np

from plantview.checks.law import settled
from plantview.checks.window import Window
from plantview.derive.gates import is_on
from plantview.model.columns import Flags
from plantview.model.plant import Equipment, Plant
from plantview.model.point import Point

SETTLING_S: Final = 600.0
"""After a start, temperatures of a machine say nothing for so long (our own choice)."""
OPEN_PCT: Final = 20.0

Holds = Callable[[Window], Flags]


def on_words(point: Point) -> dict[int, bool]:
    """Return for each number of a state whether it means on."""
    return {number: bool(is_on(point.states, number)) for number in point.states}


def all_on(plant: Plant, names: tuple[str, ...], valves: tuple[str, ...] = (), settling_s: float = SETTLING_S) -> Holds:
    """Return where all of some states have been on, and all of some valves open, for a while."""
    words = {name: on_words(plant.points[name]) for name in names}

    def holds(window: Window) -> Flags:
        found = np.ones(window.at_ms.size, bool)
        for name, numbers in words.items():
            found &= window.on(name, numbers)
        for name in valves:
            found &= window.of(name) > OPEN_PCT
        return settled(found, _rows(window, settling_s))

    return holds


def any_of(gates: tuple[Holds, ...]) -> Holds:
    """Return where one of several conditions holds."""
    return lambda window: np.logical_or.reduce([holds(window) for holds in gates])


def all_off(plant: Plant, names: tuple[str, ...], on: tuple[str, ...], settling_s: float) -> Holds:
    """Return where some states have been off and others on for a while."""
    words = {name: on_words(plant.points[name]) for name in (*names, *on)}

    def holds(window: Window) -> Flags:
        found = np.ones(window.at_ms.size, bool)
        for name in names:
            found &= np.isfinite(window.of(name)) & ~window.on(name, words[name])
        for name in on:
            found &= window.on(name, words[name])
        return settled(found, _rows(window, settling_s))

    return holds


def _rows(window: Window, settling_s: float) -> int:
    period_ms = int(window.at_ms[1] - window.at_ms[0]) if window.at_ms.size > 1 else 1
    return max(1, round(settling_s * 1_000 / period_ms))


def chiller_runs(plant: Plant, chiller: Equipment) -> Holds | None:
    """Return where a chiller runs with water through both sides; None where no status is measured."""
    names = ("status", "chw_flow_proof", "cw_flow_proof")
    states = tuple(f"{chiller.id}.{name}" for name in names if plant.point(chiller.id, name))
    return all_on(plant, states) if f"{chiller.id}.status" in states else None


def drive_runs(plant: Plant, machine: Equipment) -> Holds | None:
    """Return where a pump or fan runs; None where no status is measured."""
    status = plant.point(machine.id, "status")
    return all_on(plant, (status.name,), settling_s=120.0) if status and status.states else None
