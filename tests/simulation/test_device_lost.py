"""One device stops answering: its points grow stale, then bad, with the reason; nobody else notices."""

from __future__ import annotations

import asyncio
from collections.abc import Callable
from dataclasses import replace

import pytest

from plantview.clock import ScaledClock, SystemClock
from plantview.history import Recent
from plantview.model.plant import Plant
from plantview.model.quality import Quality
from plantview.model.reading import Batch, Frame
from plantview.model.signal import signal_of
from plantview.polling import Polling
from plantview.simulator.devices import rig
from tests.interop.simulated import StillPlant, on_free_ports

SPEED = 20.0
PERIOD_S = 5.0
WAIT_REAL_S = 15.0


def quick(plant: Plant) -> Plant:
    """Return the plant on free ports, its devices answering within a tenth of a real second or not at all."""
    moved = on_free_ports(plant)
    devices = {name: replace(device, period_s=PERIOD_S, timeout_s=0.1) for name, device in moved.devices.items()}
    points = {name: replace(point, period_s=PERIOD_S) for name, point in moved.points.items()}
    return replace(moved, devices=devices, points=points)


class Watched:
    """A plant that is polled while devices come and go."""

    def __init__(self, plant: Plant) -> None:
        self.plant = plant
        self.clock = ScaledClock(SPEED, SystemClock().now_ms())
        self.history = Recent({point.name: signal_of(point) for point in plant.points.values()}, self.clock)
        self.heard = asyncio.Event()
        self.polling = Polling(plant, self.clock, self._take)

    def _take(self, batch: Batch) -> None:
        self.history.take(batch)
        self.heard.set()

    def qualities(self, frame: Frame, device: str) -> set[Quality]:
        """Return the qualities of a device's points."""
        return {frame.reading(point.name).quality for point in self.plant.points.values() if point.device == device}

    async def until(self, what: Callable[[Frame], bool]) -> Frame:
        """Return the first frame in which ``what`` holds, looking whenever any device was heard."""
        async with asyncio.timeout(WAIT_REAL_S):
            while not what(frame := self.history.frame()):
                self.heard.clear()
                await self.heard.wait()
        return frame


@pytest.mark.timeout(60)
@pytest.mark.parametrize("lost", ["BC-1", "CH-2-PANEL"])
async def test_a_lost_device_is_said_and_its_neighbours_stay_on_time(larkfield: Plant, lost: str) -> None:
    plant = quick(larkfield)
    others = [name for name in plant.devices if name != lost]
    watched = Watched(plant)

    def others_live(frame: Frame) -> bool:
        return all(watched.qualities(frame, name) == {Quality.GOOD} for name in others)

    async with rig(plant, StillPlant(plant)) as devices, asyncio.TaskGroup() as group:
        polling = group.create_task(watched.polling.run())
        await watched.until(lambda frame: others_live(frame) and watched.qualities(frame, lost) == {Quality.GOOD})
        await devices.stop(lost)
        stale = await watched.until(lambda frame: watched.qualities(frame, lost) == {Quality.STALE})
        assert others_live(stale)
        one = next(point.name for point in plant.points.values() if point.device == lost)
        assert stale.reading(one).value is not None
        assert "old" in stale.reading(one).reason
        gone = await watched.until(lambda frame: watched.qualities(frame, lost) == {Quality.BAD})
        assert others_live(gone)
        assert gone.reading(one).value is None
        assert gone.reading(one).reason
        await devices.start(lost)
        good = await watched.until(lambda frame: watched.qualities(frame, lost) == {Quality.GOOD})
        assert others_live(good)
        polling.cancel()
