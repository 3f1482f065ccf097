"""Every priority that anybody holds, in every commandable point: read on demand, not more often than every half minute.

Looking at priorities writes nothing: it is done for plants to which nothing may be written too.
"""

from __future__ import annotations

import asyncio
from collections import defaultdict
from collections.abc import AsyncIterator, Callable, Mapping
from contextlib import AbstractAsyncContextManager, asynccontextmanager
from typing import Any, Final, Protocol

from plantview.clock import Clock
from plantview.drivers.bacnet_look import PV_TYPES, BacnetLooker, by_adapter
from plantview.drivers.look import Look, slot_rows
from plantview.errors import DriverError
from plantview.model.plant import Plant
from plantview.model.point import BacnetAddress, Point

FRESH_S: Final = 30.0


class Looking(Protocol):
    """What reads priorities."""

    async def look(self, point: Point) -> Look:
        """Read a point afresh; DriverError if its device does not answer."""
        ...

    async def slots(self, point: Point) -> tuple[float | None, ...] | None:
        """Read the priority array alone; None where there is none."""
        ...


Opened = Callable[[], AbstractAsyncContextManager[Looking]]
Ours = Callable[[Point, int, float], bool]
"""Whether what stands at a priority of a point was written by this program."""


class Held:
    """The last look at all priorities, and how long each has been seen held."""

    def __init__(
        self, plant: Plant, clock: Clock, opened: Opened, ours: Ours = lambda _point, _at, _held: False,
        locks: Mapping[str, asyncio.Lock] | None = None,
    ) -> None:  # fmt: skip
        """Look through what ``opened`` gives; ``locks`` by device, where others ask the devices too."""
        self._points = [point for point in plant.points.values() if _has_priorities(point)]
        self._clock, self._opened, self._ours = clock, opened, ours
        self._locks: Mapping[str, asyncio.Lock] = defaultdict(asyncio.Lock) if locks is None else locks
        self._at_s = clock.monotonic_s() - FRESH_S
        self._busy = asyncio.Lock()
        self._rows: list[dict[str, Any]] = []
        self._silent: dict[str, str] = {}
        self._since_ms: dict[tuple[str, int, float | None], int] = {}

    async def rows(self) -> dict[str, Any]:
        """Return what is held, by whom as far as the device says, since when as far as we have seen; and who was silent."""
        async with self._busy:
            if self._points and self._clock.monotonic_s() - self._at_s >= FRESH_S:
                await self._read()
                self._at_s = self._clock.monotonic_s()
        return {"held": self._rows, "silent": self._silent, "points": len(self._points)}

    def forget(self) -> None:
        """Read afresh at the next question: something was written."""
        self._at_s = self._clock.monotonic_s() - FRESH_S

    async def _read(self) -> None:
        found = list[dict[str, Any]]()
        silent: dict[str, str] = {}
        by_device: dict[str, list[Point]] = {}
        for point in self._points:
            by_device.setdefault(point.device, []).append(point)
        async with self._opened() as looking, asyncio.TaskGroup() as group:
            for points in by_device.values():
                group.create_task(self._read_device(looking, points, found, silent))
        keys = {_key(row) for row in found}
        self._since_ms = {key: at for key, at in self._since_ms.items() if key in keys}
        now_ms = self._clock.now_ms()
        for row in found:
            row["seen_since_ms"] = self._since_ms.setdefault(_key(row), now_ms)
        self._rows = sorted(found, key=lambda row: (row["equipment"], row["point"], row["priority"]))
        self._silent = silent

    async def _read_device(
        self, looking: Looking, points: list[Point], found: list[dict[str, Any]], silent: dict[str, str]
    ) -> None:
        for point in points:
            try:
                async with self._locks[point.device]:
                    slots = await looking.slots(point)
                    if slots is None or not any(one is not None for one in slots):
                        continue
                    look = await looking.look(point)
            except DriverError as error:
                silent[point.name] = error.detail
                if not error.code:
                    return  # a silent device is asked once per round
                continue
            found += self._rows_of(point, look)

    def _rows_of(self, point: Point, look: Look) -> list[dict[str, Any]]:
        base = {"point": point.name, "equipment": point.equipment, "unit_label": point.unit.label, "now": look.value}
        words = {float(number): word for number, word in point.states.items()}
        rows = slot_rows(look, lambda at, held: self._ours(point, at, held))
        return [{**base, **row, "word": words.get(row["value"], "")} for row in rows]


class _Network:
    """Looks through one socket per adapter, which the computer chooses the port of."""

    def __init__(self, plant: Plant, sockets: Mapping[Any, BacnetLooker]) -> None:
        self._plant, self._sockets = plant, sockets

    async def look(self, point: Point) -> Look:
        return await self._socket(point).look(self._plant.devices[point.device], _address(point))

    async def slots(self, point: Point) -> tuple[float | None, ...] | None:
        return await self._socket(point).slots(self._plant.devices[point.device], _address(point))

    def _socket(self, point: Point) -> BacnetLooker:
        return self._sockets[self._plant.adapter_of(self._plant.devices[point.device])]


@asynccontextmanager
async def looking(plant: Plant) -> AsyncIterator[Looking]:
    """Open what can look, and nothing else, for the length of a ``with`` block."""
    async with by_adapter(plant, BacnetLooker) as sockets:
        yield _Network(plant, sockets)


def _has_priorities(point: Point) -> bool:
    return point.commandable and isinstance(point.address, BacnetAddress) and point.address.object_type in PV_TYPES


def _address(point: Point) -> BacnetAddress:
    if not isinstance(point.address, BacnetAddress):
        raise TypeError(f"{point.name} has no priorities")
    return point.address


def _key(row: Mapping[str, Any]) -> tuple[str, int, float | None]:
    return row["point"], row["priority"], row["value"]
