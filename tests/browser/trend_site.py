"""The pages of one plant with a past: a field process made of numbers, and a real store behind them."""

from __future__ import annotations

import asyncio
import math
from collections.abc import AsyncIterator
from contextlib import asynccontextmanager
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from plantview.clock import ManualClock
from plantview.config import load_plant
from plantview.config.bundled import bundled
from plantview.history import Samples, Store
from tests.unit.fake_field import START_MS, FakeField
from tests.unit.served_pages import served_pages

PLANT = load_plant(bundled("plants") / "larkfield")
SUPPLY, RETURN, EFFICIENCY, STATUS = "CH-1.chws_temp", "CH-1.chwr_temp", "PLANT.kw_per_ton", "CH-1.status"
MINUTE_MS, HOUR_MS, DAY_MS = 60_000, 3_600_000, 86_400_000
PAST_DAYS = 9
GAP_MS = (START_MS - 5 * HOUR_MS, START_MS - 4 * HOUR_MS)
"""Nothing was read in this hour."""
STALE_MS = (START_MS - 7 * HOUR_MS, START_MS - 6 * HOUR_MS)
SPIKE_MS = START_MS - 30 * HOUR_MS
"""One reading far above all others."""
SPIKE_C = 31.0


@dataclass
class TrendSite:
    """A served plant."""

    field: FakeField
    home: str
    data: Path


def past_of(field: FakeField, name: str, middle: float, swing: float) -> Samples:
    """Return nine days of minutes in the unit of the signal, with a gap, a stale hour and one spike."""
    signal = field.signals[name]
    at_ms = np.arange(START_MS - PAST_DAYS * DAY_MS, START_MS - HOUR_MS, MINUTE_MS, dtype=np.int64)
    at_ms = at_ms[(at_ms < GAP_MS[0]) | (at_ms >= GAP_MS[1])]
    values = middle + swing * np.sin(at_ms / DAY_MS * 2 * math.pi) + 0.1 * np.sin(at_ms / 400_000)
    if signal.states:
        values = (np.sin(at_ms / DAY_MS * 2 * math.pi) > 0).astype(np.float64)
    else:
        values[np.searchsorted(at_ms, SPIKE_MS)] = SPIKE_C if name == SUPPLY else values[0]
        values = np.round((values - signal.unit.offset) / signal.unit.factor, 2)
    quality = np.where((at_ms >= STALE_MS[0]) & (at_ms < STALE_MS[1]), 2, 0).astype(np.uint8)
    reasons = tuple("not renewed" if mark else "" for mark in quality.tolist())
    return Samples(at_ms, values, quality, reasons)


def fill(field: FakeField, data: Path) -> None:
    """Write the past into the data folder."""
    store = Store(data, field.signals, ManualClock(START_MS))
    store.backfill(
        {
            SUPPLY: past_of(field, SUPPLY, 7.0, 0.8),
            RETURN: past_of(field, RETURN, 12.5, 1.5),
            EFFICIENCY: past_of(field, EFFICIENCY, 0.7, 0.08),
            STATUS: past_of(field, STATUS, 0, 0),
        }
    )
    store.close()


@asynccontextmanager
async def trend_site(folder: Path) -> AsyncIterator[TrendSite]:
    """Serve it until left."""
    run = folder / "run"
    run.mkdir(mode=0o700)
    field = FakeField(PLANT, run / "s.sock")
    await asyncio.to_thread(fill, field, folder / "data")
    await field.channel.start()
    field.journal = [
        *({"seq": 602 - number, "at_ms": START_MS - 10 * MINUTE_MS - number, "kind": "ACK", "alarm": "CH-1.low", "equipment": "CH-1",
           "priority": 2, "text": "Leaving chilled water too cold", "person": "A. Crew"} for number in range(600)),
        {"seq": 2, "at_ms": START_MS - 20 * MINUTE_MS, "kind": "ANN", "alarm": "CH-1.low", "equipment": "CH-1", "priority": 2,
         "text": "Leaving chilled water too cold", "person": ""},
        {"seq": 1, "at_ms": START_MS - 3 * DAY_MS, "kind": "ANN", "alarm": "CH-2.fault", "equipment": "CH-2", "priority": 1,
         "text": "Tripped", "person": ""},
    ]  # fmt: skip
    field.greet()
    async with served_pages(field, PLANT, folder / "data") as (home, _stop):
        yield TrendSite(field, home, folder / "data")
