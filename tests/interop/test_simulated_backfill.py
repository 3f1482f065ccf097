"""From the simulated controllers' own trend logs into history: the time in which nobody polled, marked, each moment once."""

from __future__ import annotations

import asyncio
import contextlib
from collections.abc import AsyncIterator, Callable
from dataclasses import replace
from pathlib import Path

from plantview.clock import Clock, ScaledClock, SystemClock
from plantview.history import Store
from plantview.model.plant import Plant
from plantview.model.point import BacnetAddress
from plantview.model.signal import signal_of
from plantview.polling import Polling
from plantview.service.backfilling import Backfilling, last_heard
from plantview.simulator.devices import rig
from tests.interop.simulated import StillPlant, larkfield

POINT = "cwp-out.temp"
SPEED = 600.0
"""A minute, the logs' interval, takes a tenth of a second."""


def logged_plant() -> Plant:
    """Return the tower controller alone, with one of its points and that point's log."""
    plant = larkfield()
    address = plant.points[POINT].address
    assert isinstance(address, BacnetAddress)
    point = replace(plant.points[POINT], address=replace(address, trend_log=3))
    return replace(plant, devices={"BC-1": plant.devices["BC-1"]}, points={POINT: point})


@contextlib.asynccontextmanager
async def watched(plant: Plant, clock: Clock, folder: Path) -> AsyncIterator[tuple[Store, Polling, Backfilling]]:
    """Poll a plant into its history as the field process does, for the length of a ``with`` block."""
    store = Store(folder, {name: signal_of(point) for name, point in plant.points.items()}, clock)
    store.recall()
    backfilling = Backfilling(store)
    polling = Polling(plant, clock, store.take, backfill=backfilling.take)
    polling.heard_until(await last_heard(store, plant, clock.now_ms()))
    task = asyncio.create_task(polling.run())
    try:
        yield store, polling, backfilling
    finally:
        task.cancel()
        await asyncio.gather(task, return_exceptions=True)
        store.flush()
        store.close()


async def test_the_minutes_between_a_stop_and_the_next_start_come_from_the_device_s_log_once(tmp_path: Path) -> None:
    plant, clock = logged_plant(), ScaledClock(SPEED, SystemClock().now_ms())
    still = StillPlant(plant)
    still.values[POINT] = 71.5
    async with rig(plant, still, clock) as devices:

        async def until(condition: Callable[[], bool]) -> None:
            async with asyncio.timeout(10):
                while not condition():
                    devices.refresh()
                    await asyncio.sleep(0.02)

        async with watched(plant, clock, tmp_path) as (store, _, _):
            await until(lambda: store.recent(POINT, 0, 2**62).at_ms.size >= 2)
        stopped_ms = clock.now_ms()
        await until(lambda: clock.now_ms() - stopped_ms > 10 * 60_000)
        started_ms = clock.now_ms()
        async with watched(plant, clock, tmp_path) as (store, polling, backfilling):
            await until(lambda: any(row.get("backfilled", 0) >= 8 for row in polling.health()))
            await backfilling.write()
            await backfilling.write()
            found = store.range(POINT, stopped_ms, started_ms)
    assert 8 <= found.at_ms.size <= 11, "one record a minute"
    assert set(found.values.tolist()) == {71.5}
    assert len(set(found.at_ms.tolist())) == found.at_ms.size
    assert all(reason.startswith("from trend-log,") for reason in found.reasons)
