"""One fault of every kind for a plant, as a person would write it."""

from __future__ import annotations

import math
from collections.abc import Iterator

from plantview.model.plant import Plant
from plantview.simulator.fault_kinds import FAULTS
from plantview.simulator.faults import Fault, parse_fault, targets


def fault_of(kind: str, plant: Plant, place: int = 0) -> Fault | None:
    """Return a fault of a kind on the plant's ``place``-th target that it fits; None where nothing can have it."""
    row = FAULTS[kind]
    names = targets(row, plant)
    if not names:
        return None
    fitting = _fitting(kind, names, plant)
    target = fitting[place % len(fitting)]
    amount = row.normal if not math.isnan(row.normal) else _amount(kind, target, plant)
    return Fault(kind, target, amount)


def faults_of(plant: Plant) -> Iterator[Fault]:
    """Yield one fault of every kind that the plant can suffer; those of devices left out."""
    for kind, row in FAULTS.items():
        fault = None if row.target == "device" else fault_of(kind, plant)
        if fault is not None:
            yield fault


def text_amount(kind: str) -> float:
    """Return the amount of a kind's example."""
    return parse_fault(FAULTS[kind].example).amount


def _fitting(kind: str, names: list[str], plant: Plant) -> list[str]:
    if kind == "setpoint-changed":
        return [name for name in names if name.endswith(".setpoint")]
    if FAULTS[kind].target == "point":
        measured = [name for name in names if not plant.points[name].states]
        return [name for name in measured if name.endswith("chws_temp")] or measured
    return names


def _amount(kind: str, target: str, plant: Plant) -> float:
    point = plant.points[target]
    if kind in {"setpoint-changed", "override-left"}:
        celsius = 9.5
        if point.states:
            return 1.0
        return {"degF": celsius * 1.8 + 32, "degC": celsius}.get(point.unit.name, 40.0)
    return {"sensor-bias": 1.5, "sensor-drift": 0.4, "sensor-noisy": 0.5}[kind]
