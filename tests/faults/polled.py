"""Small plants to poll, written by hand, and a sink that a test can wait on."""

from __future__ import annotations

import asyncio
import contextlib
import math
from collections.abc import AsyncIterator, Callable, Iterable
from contextlib import asynccontextmanager
from pathlib import Path

from plantview.clock import Clock
from plantview.model.plant import Adapter, Device, Plant
from plantview.model.point import BacnetAddress, ModbusAddress, Point
from plantview.model.reading import Batch, Reading
from plantview.polling import Polling
from plantview.units import unit

LOOPBACK = "127.0.0.1"


def open_sockets() -> int:
    """Return how many sockets this process holds (Linux)."""
    count = 0
    for one in Path("/proc/self/fd").iterdir():
        with contextlib.suppress(FileNotFoundError):
            count += str(one.readlink()).startswith("socket:")
    return count


def bacnet_device(name: str, port: int, instance: int, *, period_s: float = 0.2, timeout_s: float = 0.1) -> Device:
    return Device(name, "bacnet", LOOPBACK, port, instance, period_s, timeout_s, name)


def modbus_device(name: str, port: int, unit_id: int, *, period_s: float = 0.2, timeout_s: float = 0.1) -> Device:
    return Device(name, "modbus", LOOPBACK, port, unit_id, period_s, timeout_s, name)


def _point(
    name: str,
    device: Device,
    address: BacnetAddress | ModbusAddress,
    low: float,
    high: float,
    states: dict[int, str] | None,
) -> Point:
    quantity, label = ("state", "state") if states else ("power", "kW")
    return Point(
        f"{name}.power",
        name,
        "power",
        quantity,
        unit(label, quantity),
        device.id,
        address,
        device.period_s,
        states or {},
        low,
        high,
        "",
        "",
        False,
    )


def object_point(
    name: str,
    device: Device,
    address: str,
    *,
    low: float = -math.inf,
    high: float = math.inf,
    states: dict[int, str] | None = None,
) -> Point:
    """Return a point on ``analog-input,3``."""
    kind, _, instance = address.partition(",")
    return _point(name, device, BacnetAddress(kind, int(instance)), low, high, states)


def register_point(
    name: str, device: Device, address: str, kind: str = "uint16", *, scale: float = 1.0, high: float = math.inf
) -> Point:
    """Return a point on ``holding 100``."""
    table, _, first = address.partition(" ")
    return _point(name, device, ModbusAddress(table, int(first), kind, "ABCD", scale, 0.0, ()), -math.inf, high, None)


def plant_of(devices: Iterable[Device], points: Iterable[Point], *, adapter: Adapter | None = None) -> Plant:
    """Return a plant that has nothing but devices and points."""
    return Plant(
        "test",
        "Test",
        "UTC",
        0.0,
        "si",
        False,
        {},
        {},
        {one.id: one for one in devices},
        {point.name: point for point in points},
        {},
        adapter or Adapter(f"{LOOPBACK}/8", 0),
        (),
        {},
        "",
    )


class Outcomes:
    """Takes batches as history would, and lets a test wait for what it expects."""

    def __init__(self) -> None:
        self.batches: list[Batch] = []
        self.readings: dict[str, Reading] = {}
        self.silent: dict[str, str] = {}
        self.told: dict[str, int] = {}
        """Point name -> how often its reading came."""
        self._changed = asyncio.Event()

    def take(self, batch: Batch) -> None:
        self.batches.append(batch)
        self.readings.update(batch.readings)
        self.silent.update(batch.silent)
        for name in batch.readings:
            self.silent.pop(name, None)
            self.told[name] = self.told.get(name, 0) + 1
        self._changed.set()

    async def until(self, condition: Callable[[Outcomes], bool], *, within_s: float = 5.0) -> None:
        """Wait until a condition holds after a batch; TimeoutError if it never does."""
        async with asyncio.timeout(within_s):
            while not condition(self):
                self._changed.clear()
                await self._changed.wait()

    def reading(self, name: str) -> Reading | None:
        return self.readings.get(f"{name}.power")

    def why(self, name: str) -> str:
        """Return the reason of a point's reading, or of its silence."""
        found = self.reading(name)
        return self.silent.get(f"{name}.power") or (found.reason if found else "")


@asynccontextmanager
async def polling(plant: Plant, clock: Clock) -> AsyncIterator[tuple[Polling, Outcomes]]:
    """Run the polling of a plant and stop it afterwards."""
    outcomes = Outcomes()
    subject = Polling(plant, clock, outcomes.take)
    task = asyncio.create_task(subject.run())
    try:
        yield subject, outcomes
    finally:
        task.cancel()
        await asyncio.gather(task, return_exceptions=True)
    if not task.cancelled() and (error := task.exception()) is not None:
        raise error
