"""Planted mistakes about what a sensor is: by the simulator's faults, or by a point list that says something else."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from plantview.checks import withheld
from plantview.checks.finding import Finding, reasons
from plantview.checks.judge import Judge, Verdict
from plantview.checks.window import Window, window_of
from plantview.derive import Derivation
from plantview.model.plant import Plant
from plantview.model.point import BacnetAddress
from plantview.model.reading import Frame, good
from plantview.simulator.faults import parse_fault
from plantview.simulator.history import run_day
from plantview.units import unit
from tests.simulation.plant_days import MORNING_MS

ROW_MS = 30_000
ROWS = 90
Table = dict[str, NDArray[np.float64]]


def reported(
    plant: Plant, hours: float, *faults: str, start_ms: int = MORNING_MS, period_s: float = 30.0
) -> tuple[NDArray[np.int64], Table]:
    """Return what a simulated plant's devices report, one column per point."""
    at_ms, rows = [], []
    for batch in run_day(plant, start_ms, hours, period_s, faults=tuple(map(parse_fault, faults))):
        at_ms.append(batch.at_ms)
        values = (batch.readings[name].value for name in plant.points)
        rows.append([np.nan if value is None else value for value in values])
    return np.array(at_ms, np.int64), dict(zip(plant.points, np.array(rows, np.float64).T, strict=True))


def window(plant: Plant, at_ms: NDArray[np.int64], table: Table, beyond: Table | None = None) -> Window:
    """Return the window that the service would judge."""
    return window_of(plant, at_ms, table, ROW_MS, beyond)


def look(plant: Plant, at_ms: NDArray[np.int64], table: Table, beyond: Table | None = None) -> Verdict:
    """Return what the judge says."""
    return Judge(plant).look(window(plant, at_ms, table, beyond))


def still_said(plant: Plant, at_ms: NDArray[np.int64], table: Table, findings: Iterable[Finding]) -> list[str]:
    """Return the derived values that depend on doubted points and have a number all the same; a finding must leave none.

    AssertionError where nothing that had a number depends on them: then nothing would be shown by it.
    """
    found, now_ms = tuple(findings), int(at_ms[-1])
    last = {name: float(values[-1]) for name, values in table.items() if np.isfinite(values[-1])}
    frame = Frame(1, now_ms, {name: good(value, now_ms) for name, value in last.items()})
    derivation, depends = Derivation(plant), {point for each in found for point in each.points}
    for name, signal in derivation.signals.items():  # in the order of their inputs
        if depends & set(signal.inputs):
            depends.add(name)
    before = derivation.run(frame).readings
    after = derivation.run(withheld(frame, reasons(found))).readings
    assert [name for name in depends & set(before) if before[name].value is not None]
    return sorted(name for name in depends & set(after) if after[name].value is not None)


def described(plant: Plant, point: str, as_unit: str) -> Plant:
    """Return the same plant with another unit in one row of its point list."""
    old = plant.points[point]
    quantity = old.quantity
    if as_unit.endswith(("a", "g")) and quantity.startswith("pressure_"):
        quantity = "pressure_absolute" if as_unit.endswith("a") else "pressure_gauge"
    changed = replace(old, unit=unit(as_unit, quantity), quantity=quantity, low=-np.inf, high=np.inf)
    return replace(plant, points={**plant.points, point: changed})


def in_unit(plant: Plant, table: Table, point: str, device_unit: str) -> Table:
    """Return the numbers as a device reports them that works in another unit."""
    old = plant.points[point].unit
    other = unit(device_unit, old.quantity)
    return {**table, point: (table[point] * old.factor + old.offset - other.offset) / other.factor}


def with_refrigerant(plant: Plant, name: str, chiller: str = "CH-1") -> Plant:
    """Return the same plant with another refrigerant written for one chiller."""
    machine = plant.equipment[chiller]
    changed = replace(machine, traits={**machine.traits, "refrigerant": name})
    return replace(plant, equipment={**plant.equipment, chiller: changed})


def with_wet_bulb(plant: Plant) -> Plant:
    """Return the same plant with a wet bulb sensor beside its dry bulb."""
    dry = plant.points["WEATHER.dry_bulb"]
    address = BacnetAddress("analog-input", 990)
    wet = replace(dry, name="WEATHER.wet_bulb", measurement="wet_bulb", address=address)
    return replace(plant, points={**plant.points, wet.name: wet})
