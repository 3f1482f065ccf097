"""What devices logged while nobody could ask them, on its way into history."""

from __future__ import annotations

import asyncio
import logging
from collections import deque
from collections.abc import Mapping
from typing import Final, Protocol

import numpy as np

from plantview.errors import HistoryError
from plantview.history.samples import Samples
from plantview.polling import Backfilled

WAITING_MAX: Final = 2_000
"""Filled outages kept while history is slow: the oldest are dropped, their trend logs stay in the device."""
log = logging.getLogger("plantview.service")


class _Report(Protocol):
    @property
    def problems(self) -> tuple[str, ...]: ...


class Past(Protocol):
    """History as far as it is written to here."""

    def backfill(self, samples: Mapping[str, Samples]) -> _Report: ...


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
                report = await asyncio.to_thread(self._past.backfill, {filled.point: samples_of(filled)})
            except HistoryError as error:
                log.warning("%s from %s cannot be kept: %s", filled.point, filled.source, error)
                continue
            for problem in report.problems:
                log.warning("from %s: %s", filled.source, problem)


def samples_of(filled: Backfilled) -> Samples:
    """Return the readings as history stores them, each with the device's log as its reason."""
    mark = f"from {filled.source}"
    return Samples(
        np.array([one.at_ms for one in filled.readings], np.int64),
        np.array([np.nan if one.value is None else one.value for one in filled.readings], np.float64),
        np.array([one.quality for one in filled.readings], np.uint8),
        tuple(f"{one.reason}; {mark}" if one.reason else mark for one in filled.readings),
    )
