"""Lets a plant live without sockets, faster than any clock, and hands out what its devices would have reported.

The same readings as from a poll at that moment: a plant's day for the trends of a demonstration,
or rows for a test that needs hours in seconds.
"""

from __future__ import annotations

import math
from collections.abc import Iterator
from typing import Final

from plantview.model.plant import Plant
from plantview.model.reading import Batch, Reading, bad, good
from plantview.simulator.faults import Fault
from plantview.simulator.plant import SimulatedPlant

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
    simulated = SimulatedPlant(plant, start_ms, seed)
    for fault in faults:
        simulated.inject(fault)
    return _rows(simulated, round(hours * 3_600 / period_s), period_s)


def batch_of(simulated: SimulatedPlant) -> Batch:
    """Return what the devices of a simulated plant report at this moment."""
    now_ms = simulated.now_ms
    return Batch(now_ms, {name: _reading(value, now_ms) for name, value in simulated.reported().items()})


def _rows(simulated: SimulatedPlant, count: int, period_s: float) -> Iterator[Batch]:
    yield batch_of(simulated)
    for _ in range(count):
        simulated.step(period_s)
        yield batch_of(simulated)


def _reading(value: float, at_ms: int) -> Reading:
    return bad(NO_NUMBER, at_ms) if math.isnan(value) else good(value, at_ms)
