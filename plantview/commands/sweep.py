"""Every priority that anybody holds, in every commandable point: read on demand, not more often than every half minute."""

from __future__ import annotations

import asyncio
from typing import Any, Final

from plantview.commands.keeper import Keeper
from plantview.commands.site import Site
from plantview.commands.staging import slot_rows
from plantview.drivers.look import Look
from plantview.errors import DriverError
from plantview.model.point import BacnetAddress, Point

FRESH_S: Final = 30.0


class Sweep:
    """The last sweep, and how long each priority has been seen held."""

    def __init__(self, site: Site, keeper: Keeper) -> None:
        self._site, self._keeper = site, keeper
        self._at_s = site.clock.monotonic_s() - FRESH_S
        self._busy = asyncio.Lock()
        self._held: list[dict[str, Any]] = []
        self._silent: dict[str, str] = {}
        self._since_ms: dict[tuple[str, int, float | None], int] = {}

    async def rows(self) -> dict[str, Any]:
        """Return what is held, by whom as far as the device says, since when as far as we have seen; and who was silent."""
        async with self._busy:
            if self._site.clock.monotonic_s() - self._at_s >= FRESH_S:
                await self._read()
                self._at_s = self._site.clock.monotonic_s()
        return {"held": self._held, "silent": self._silent, "points": len(self._points())}

    def forget(self) -> None:
        """Read afresh at the next question: something was written."""
        self._at_s = self._site.clock.monotonic_s() - FRESH_S

    def _points(self) -> list[Point]:
        points = self._site.plant.points.values()
        return [point for point in points if point.commandable and isinstance(point.address, BacnetAddress)]

    async def _read(self) -> None:
        self._silent, held = {}, list[dict[str, Any]]()
        by_device: dict[str, list[Point]] = {}
        for point in self._points():
            by_device.setdefault(point.device, []).append(point)
        async with asyncio.TaskGroup() as group:
            for points in by_device.values():
                group.create_task(self._read_device(points, held))
        keys = {(row["point"], row["priority"], row["value"]) for row in held}
        self._since_ms = {key: at for key, at in self._since_ms.items() if key in keys}
        now_ms = self._site.clock.now_ms()
        for row in held:
            row["seen_since_ms"] = self._since_ms.setdefault((row["point"], row["priority"], row["value"]), now_ms)
        self._held = sorted(held, key=lambda row: (row["equipment"], row["point"], row["priority"]))

    async def _read_device(self, points: list[Point], held: list[dict[str, Any]]) -> None:
        for point in points:
            try:
                async with self._site.lock(point):
                    slots = await self._site.targets.slots(point)
                    if slots is None or not any(one is not None for one in slots):
                        continue
                    look = await self._site.targets.look(point)
            except DriverError as error:
                self._silent[point.name] = error.detail
                if not error.code:
                    return  # a silent device is asked once per sweep
                continue
            held += self._rows_of(point, look)

    def _rows_of(self, point: Point, look: Look) -> list[dict[str, Any]]:
        own = self._keeper.on(point.name)
        base = {"point": point.name, "equipment": point.equipment, "unit_label": point.unit.label, "now": look.value}
        words = {float(number): word for number, word in point.states.items()}
        return [{**base, **row, "word": words.get(row["value"], "")} for row in slot_rows(look, own)]
