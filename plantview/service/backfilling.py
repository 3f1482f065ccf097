"""What devices logged while nobody could ask them, or while we did not run, on its way into history."""

from __future__ import annotations

import asyncio
import logging
from collections import defaultdict, deque
from collections.abc import Mapping, Sequence
from typing import Final, Protocol

import numpy as np

from plantview.errors import HistoryError
from plantview.history.samples import Samples
from plantview.model.plant import Plant
from plantview.model.point import BacnetAddress
from plantview.model.quality import Quality
from plantview.polling import Backfilled

WAITING_MAX: Final = 2_000
"""Filled outages kept while history is slow: the oldest are dropped, their trend logs stay in the device."""
LOOKED_BACK_MS: Final = (2 * 3_600_000, 86_400_000, 14 * 86_400_000)
"""How far history is searched for what a device last said, the shortest first; what trend logs hold is not longer."""
ASKED_OF_A_DEVICE: Final = 3
"""Points of a device whose history is looked at: they were polled together."""
log = logging.getLogger("plantview.service")


class _Report(Protocol):
    @property
    def problems(self) -> tuple[str, ...]: ...


class Past(Protocol):
    """History as far as it is written to here."""

    def backfill(self, samples: Mapping[str, Samples]) -> _Report: ...
    def remember(self, samples: Mapping[str, Samples]) -> None: ...
    def range(self, name: str, from_ms: int, to_ms: int) -> Samples: ...


class Backfilling:
    """Takes filled outages at once and writes them in a thread, at its own pace."""

    def __init__(self, past: Past) -> None:
        self._past = past
        self._waiting: deque[Backfilled] = deque(maxlen=WAITING_MAX)

    def take(self, filled: Backfilled) -> None:
        """Keep one filled outage until it is written."""
        self._waiting.append(filled)

    async def write(self) -> None:
        """Write what is waiting; what history refuses is logged."""
        while self._waiting:
            filled = self._waiting.popleft()
            try:
                late = {filled.point: samples_of(filled)}
                report = await asyncio.to_thread(self._past.backfill, late)
                self._past.remember(late)
            except HistoryError as error:
                log.warning("%s from %s cannot be kept: %s", filled.point, filled.source, error)
                continue
            for problem in report.problems:
                log.warning("from %s: %s", filled.source, problem)


async def last_heard(past: Past, plant: Plant, now_ms: int) -> dict[str, int]:
    """Return when each device with trend logs last gave a value that was stored [UTC ms]; the others are left out."""
    logged: dict[str, list[str]] = defaultdict(list)
    for name, point in plant.points.items():
        if isinstance(point.address, BacnetAddress) and point.address.trend_log is not None:
            logged[point.device].append(name)
    try:
        return await asyncio.to_thread(_last_heard, past, logged, now_ms)
    except HistoryError as error:
        log.warning("trend logs are not read for the time before the start: %s", error)
        return {}


def _last_heard(past: Past, logged: Mapping[str, Sequence[str]], now_ms: int) -> dict[str, int]:
    found: dict[str, int] = {}
    for back_ms in LOOKED_BACK_MS:
        for device, names in logged.items():
            if device not in found:
                ends = [_last_ms(past.range(name, now_ms - back_ms, now_ms)) for name in names[:ASKED_OF_A_DEVICE]]
                found |= {device: max(ends)} if max(ends) else {}
    return found


def _last_ms(samples: Samples) -> int:
    usable = samples.at_ms[samples.quality < Quality.BAD]
    return int(usable[-1]) if usable.size else 0


def samples_of(filled: Backfilled) -> Samples:
    """Return the readings as history stores them, each with the device's log as its reason."""
    mark = f"from {filled.source}"
    return Samples(
        np.array([one.at_ms for one in filled.readings], np.int64),
        np.array([np.nan if one.value is None else one.value for one in filled.readings], np.float64),
        np.array([one.quality for one in filled.readings], np.uint8),
        tuple(f"{one.reason}; {mark}" if one.reason else mark for one in filled.readings),
    )
