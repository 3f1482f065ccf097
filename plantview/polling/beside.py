"""What a BACnet device is asked beside its values: clock, COV renewals, trend logs after an outage, events.

A few of them per cycle, after the values: the values are never late because of it.
"""

from __future__ import annotations

from collections.abc import Awaitable, Callable
from dataclasses import asdict
from typing import Any, Final

from plantview.clock import Clock
from plantview.drivers.bacnet_codec import object_key
from plantview.drivers.bacnet_reader import BacnetReader
from plantview.errors import DeviceRefused, ReplyUnusable
from plantview.model.device_event import DeviceEvent
from plantview.model.point import BacnetAddress, Point
from plantview.polling.backfill import Gaps
from plantview.polling.cov import Subscriptions
from plantview.polling.device_clock import dated, offset_ms
from plantview.polling.health import DeviceHealth
from plantview.polling.outlets import Outlets

CLOCK_EVERY_S: Final = 3_600.0
EVENTS_EVERY_S: Final = 30.0
CLOCK_OFF_S: Final = 60.0
"""A clock that is off by more is worth a word: its trend logs and schedules are off with it."""
STEPS_MAX: Final = 4
"""Side requests after one cycle."""
GAP_PERIODS: Final = 2
"""An outage shorter than so many periods left no gap."""


class Beside:
    """Side work of one device; all times are plant seconds, spaced in real ones."""

    def __init__(
        self, reader: BacnetReader, points: tuple[Point, ...], health: DeviceHealth, outlets: Outlets, process: int
    ) -> None:
        self._reader, self._points, self._health, self._outlets = reader, points, health, outlets
        self._clock: Clock = health.clock
        keys = [object_key(address) for address in map(_address, points) if address.cov]
        self.changes = Subscriptions(reader, process, keys) if keys else None
        self._gaps = Gaps(health.device.id, outlets.zone)
        self._clock_due_s = self._events_due_s = 0.0
        self._offset_ms: int | None = None
        self._events: tuple[DeviceEvent, ...] = ()
        self._events_refused = ""
        self._work: tuple[Callable[[], Awaitable[bool]], ...] = (
            self._renew, self._fill, self._read_clock, self._read_events,
        )  # fmt: skip

    def outage(self, from_ms: int | None, to_ms: int) -> None:
        """Note that nothing was heard between two moments; the device may have forgotten what it promised."""
        if self.changes:
            self.changes.lost()
        self._clock_due_s, self._offset_ms = 0.0, None  # a device that restarted may have another time
        if from_ms is None or self._outlets.backfill is None:
            return
        longest = GAP_PERIODS * 1_000
        self._gaps.open(tuple(one for one in self._points if to_ms - from_ms > longest * one.period_s), from_ms, to_ms)

    async def _step(self) -> bool:
        for work in self._work:
            if await work():
                return True
        return False

    async def some_steps(self, give_way: Callable[[], Awaitable[None]]) -> None:
        """Do what is due, a little of it; DeviceSilent or DeviceUnreachable if the device is gone."""
        for _ in range(STEPS_MAX):
            await give_way()
            if not await self._step():
                break
        self._health.extra = self.as_dict()

    def as_dict(self) -> dict[str, Any]:
        """Return what the health page shows of it."""
        shown: dict[str, Any] = {
            "backfilled": self._gaps.filled,
            "events": [asdict(event) for event in self._events], "events_refused": self._events_refused,
        }  # fmt: skip
        if self.changes:
            shown["cov"] = self.changes.as_dict()
        return shown

    def _now_s(self) -> float:
        return self._clock.monotonic_s() / self._clock.speed

    async def _renew(self) -> bool:
        return self.changes is not None and await self.changes.renew_one(self._now_s())

    async def _fill(self) -> bool:
        if not self._gaps.waiting or self._outlets.backfill is None:
            return False
        if self._offset_ms is None:
            return False  # the clock comes first: without it the records' times mean nothing
        filled = await self._gaps.page(self._reader, self._offset_ms)
        if filled is not None:
            self._outlets.backfill(filled)
        if self._gaps.trouble:
            self._health.notices["trend logs"] = self._gaps.trouble
        return True

    async def _read_clock(self) -> bool:
        now_s = self._now_s()
        if now_s < self._clock_due_s:
            return False
        self._clock_due_s = now_s + CLOCK_EVERY_S
        try:
            device_ms = await self._reader.clock_ms()
        except (DeviceRefused, ReplyUnusable):
            device_ms = None
        self._set_clock(device_ms)
        return True

    def _set_clock(self, device_ms: int | None) -> None:
        now_ms = self._clock.now_ms()
        self._offset_ms = None if device_ms is None else offset_ms(device_ms, self._outlets.zone, now_ms)
        health = self._health
        health.clock_offset_s = None if self._offset_ms is None else self._offset_ms / 1_000
        health.notices.pop("clock", None)
        if health.clock_offset_s is not None and abs(health.clock_offset_s) > CLOCK_OFF_S:
            word = "ahead" if health.clock_offset_s > 0 else "behind"
            health.notices["clock"] = f"its clock is {abs(health.clock_offset_s):.0f} s {word} -> set it"
        if self._offset_ms is None and self._gaps.waiting:
            health.notices["trend logs"] = "not read: the device does not tell its clock"
            self._gaps = Gaps(health.device.id, self._outlets.zone)

    async def _read_events(self) -> bool:
        now_s = self._now_s()
        if self._outlets.events is None or now_s < self._events_due_s:
            return False
        self._events_due_s = now_s + EVENTS_EVERY_S
        try:
            told = await self._reader.events()
        except (DeviceRefused, ReplyUnusable) as error:
            self._events_due_s = now_s + CLOCK_EVERY_S
            self._events = ()
            self._events_refused = error.detail  # most devices have no events to tell: no news for a technician
        else:
            now_ms, zone = self._clock.now_ms(), self._outlets.zone
            self._events = tuple(dated(one, zone, self._offset_ms, now_ms) for one in told)
            self._events_refused = ""
            self._outlets.events(self._health.device.id, self._events)
        return True


def _address(point: Point) -> BacnetAddress:
    if not isinstance(point.address, BacnetAddress):
        raise TypeError(f"{point.name} is no BACnet point")
    return point.address
