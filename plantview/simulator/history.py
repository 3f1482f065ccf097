"""Lets a plant live without sockets, faster than any clock, and hands out what its devices would have reported.

The same readings as from a poll at that moment: a plant's day for the trends of a demonstration,
or rows for a test that needs hours in seconds.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from typing import Final

from plantview.model.plant import Plant
from plantview.model.reading import Batch, Reading, bad, good
from plantview.simulator.chiller import Chiller
from plantview.simulator.faults import Fault
from plantview.simulator.plant import SimulatedPlant
from plantview.simulator.pump import Drive
from plantview.simulator.sensors import COUNTERS

HOURS_MAX: Final = 24.0 * 400
PERIOD_S_LEAST: Final = 1.0
NO_NUMBER: Final = "its device has no number for it"


def run_day(
    plant: Plant, start_ms: int, hours: float, period_s: float, *, faults: tuple[Fault, ...] = (), seed: int = 1
) -> Iterator[Batch]:
    """Yield what the devices of ``plant`` report, every ``period_s`` for ``hours`` from ``start_ms`` on.

    The last batch is at ``start_ms + hours``, so that a day that starts 24 h before now ends now.
    ValueError for a period below a second or more than 400 days; UnknownFault where a fault has no place.
    """
    if not period_s >= PERIOD_S_LEAST or not 0 < hours <= HOURS_MAX:
        raise ValueError(
            f"{hours:g} h every {period_s:g} s cannot be run: at least 1 s, above 0 and at most {HOURS_MAX:g} h"
        )
    simulated = SimulatedPlant(plant, start_ms, seed, coarse=True)
    for fault in faults:
        simulated.inject(fault)
    return _rows(simulated, round(hours * 3_600 / period_s), period_s)


def batch_of(simulated: SimulatedPlant) -> Batch:
    """Return what the devices of a simulated plant report at this moment."""
    now_ms = simulated.now_ms
    return Batch(now_ms, {name: _reading(value, now_ms) for name, value in simulated.reported().items()})


@dataclass(frozen=True, slots=True)
class Past:
    """What the devices reported before a moment: one list of numbers per point, as long as ``at_ms``."""

    at_ms: list[int]
    values: dict[str, list[float]]
    """NaN where a device has no number."""


def past_of(plant: Plant, now_ms: int, hours: float, period_s: float, seed: int = 1) -> Past:
    """Return the ``hours`` before a plant that starts at ``now_ms``; the last row is half a period before it.

    The machines lead in the order of the description and the meters count up to what they show
    at the start, so that nothing jumps where the past meets the present.
    """
    begins = SimulatedPlant(plant, now_ms, seed, coarse=True).reported()
    count = round(hours * 3_600 / period_s)
    first_ms = now_ms - round((count - 0.5) * period_s * 1_000)
    simulated = SimulatedPlant(plant, first_ms, seed, coarse=True)
    _lead_in_order(simulated)
    past = Past([], {name: [] for name in begins})
    for batch in _rows(simulated, count - 1, period_s):
        past.at_ms.append(batch.at_ms)
        for name, reading in batch.readings.items():
            past.values[name].append(math.nan if reading.value is None else reading.value)
    for name, values in past.values.items():
        if plant.points[name].measurement in COUNTERS:
            behind = begins[name] - values[-1]
            values[:] = [max(value + behind, 0.0) for value in values]
    return past


def _lead_in_order(simulated: SimulatedPlant) -> None:
    """Give the fewest hours to the first machine of each kind: a warm start has those running too."""
    machines = simulated.machines
    kinds: tuple[Mapping[str, Chiller | Drive], ...] = (machines.chillers, machines.pumps, machines.fans)
    for kind in kinds:
        group = list(kind.values())
        for machine, hours in zip(group, sorted(item.run_hours for item in group), strict=True):
            machine.run_hours = hours


def _rows(simulated: SimulatedPlant, count: int, period_s: float) -> Iterator[Batch]:
    yield batch_of(simulated)
    for _ in range(count):
        simulated.step(period_s)
        yield batch_of(simulated)


def _reading(value: float, at_ms: int) -> Reading:
    return bad(NO_NUMBER, at_ms) if math.isnan(value) else good(value, at_ms)
