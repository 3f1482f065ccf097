"""Time as a dependency: nothing else in plantview asks the computer for it.

Plant time is UTC in integer milliseconds. It equals real time unless a
simulated plant runs faster (``--speed N``), where one real second is N plant seconds.
"""

from __future__ import annotations

import asyncio
import heapq
import itertools
import time
from collections.abc import Callable
from datetime import UTC, datetime
from typing import Protocol
from zoneinfo import ZoneInfo


def real_deadline(seconds: float) -> Callable[[], bool]:
    """Return a question: have so many real seconds passed since now? For work that only real time bounds."""
    end_s = time.monotonic() + seconds
    return lambda: time.monotonic() > end_s


def never() -> bool:
    """Return that no deadline has passed: there is none."""
    return False


class Clock(Protocol):
    """What every room may ask about time."""

    speed: float
    """Plant seconds per real second; 1 for a real plant."""

    def now_ms(self) -> int:
        """Return plant time, UTC milliseconds."""
        ...

    def monotonic_s(self) -> float:
        """Return plant seconds that never step back; only differences mean something."""
        ...

    async def sleep(self, seconds: float) -> None:
        """Wait for so many plant seconds."""
        ...


class SystemClock:
    """Real time."""

    speed = 1.0

    def now_ms(self) -> int:
        return time.time_ns() // 1_000_000

    def monotonic_s(self) -> float:
        return time.monotonic()

    async def sleep(self, seconds: float) -> None:
        await asyncio.sleep(seconds)


class ScaledClock:
    """Plant time that started at ``start_ms`` (real ``start_real_ms``) and runs ``speed`` times faster.

    Processes that are given the same three numbers agree on plant time.
    """

    def __init__(self, speed: float, start_real_ms: int, start_ms: int | None = None) -> None:
        if not 0 < speed <= SPEED_MAX:
            raise ValueError(f"speed must be above 0 and at most {SPEED_MAX:g}, got {speed:g}")
        self.speed = speed
        self._start_real_ms = start_real_ms
        self._start_ms = start_real_ms if start_ms is None else start_ms
        self._real_at_zero = time.time() - time.monotonic()

    def monotonic_s(self) -> float:
        return time.monotonic() * self.speed

    def now_ms(self) -> int:
        real_ms = (self._real_at_zero + time.monotonic()) * 1_000
        return self._start_ms + round((real_ms - self._start_real_ms) * self.speed)

    async def sleep(self, seconds: float) -> None:
        await asyncio.sleep(seconds / self.speed)


class ManualClock:
    """A clock that a test moves by hand; sleepers wake in order as it passes them."""

    speed = 1.0

    def __init__(self, start_ms: int = 1_764_000_000_000) -> None:
        self._ms = float(start_ms)
        self._monotonic_s = 0.0
        self._order = itertools.count()
        self._sleepers: list[tuple[float, int, asyncio.Future[None]]] = []

    def now_ms(self) -> int:
        return round(self._ms)

    def monotonic_s(self) -> float:
        return self._monotonic_s

    async def sleep(self, seconds: float) -> None:
        future = asyncio.get_running_loop().create_future()
        heapq.heappush(self._sleepers, (self._monotonic_s + seconds, next(self._order), future))
        await future

    async def advance(self, seconds: float) -> None:
        """Move time on and let everything that was due meanwhile run."""
        end = self._monotonic_s + seconds
        await self._settle()
        while self._sleepers and self._sleepers[0][0] <= end:
            due, _, future = heapq.heappop(self._sleepers)
            self._move(due)
            if not future.done():
                future.set_result(None)
            await self._settle()
        self._move(end)
        await self._settle()

    def step(self, seconds: float) -> None:
        """Step the wall clock only, as a time server would."""
        self._ms += seconds * 1_000

    def _move(self, monotonic_s: float) -> None:
        self._ms += (monotonic_s - self._monotonic_s) * 1_000
        self._monotonic_s = monotonic_s

    async def _settle(self) -> None:
        for _ in range(SETTLE_ROUNDS):
            await asyncio.sleep(0)


SPEED_MAX = 3_600.0
SETTLE_ROUNDS = 20
"""Turns of the event loop that let woken tasks reach their next wait."""


def utc_text(at_ms: int) -> str:
    """Return an RFC 3339 time with milliseconds, for logs and the API."""
    return datetime.fromtimestamp(at_ms / 1_000, UTC).isoformat(timespec="milliseconds").replace("+00:00", "Z")


def local_text(at_ms: int, zone: str) -> str:
    """Return local date, time and zone name as a crew reads them."""
    return datetime.fromtimestamp(at_ms / 1_000, ZoneInfo(zone)).strftime("%Y-%m-%d %H:%M:%S %Z")
