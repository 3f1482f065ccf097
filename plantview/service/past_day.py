"""Gives a demonstration the day before it, so that its trends are not empty.

The day is made in a process of its own once the plant is on the screen, and goes into history as
stored samples only: it is never read as the present. A folder that holds readings of that day is left alone.
"""

from __future__ import annotations

import asyncio
import logging
import sqlite3
import sys
import zipfile
from collections.abc import Mapping, Sequence
from typing import Final, Protocol

from plantview.config.order import Order
from plantview.errors import HistoryError, PlantviewError
from plantview.history import NOT_READ
from plantview.history.samples import Samples
from plantview.model.reading import Frame
from plantview.service.past import Rows

log = logging.getLogger("plantview.service")

LOOK_REAL_S: Final = 1.0
READ_SHARE: Final = 0.8
"""The plant has the computer for itself until so many of its points were read: the first page comes before the past."""
AT_ONCE: Final = 24
"""Signals that are merged in one go; other work gets its turn between."""
PROBES: Final = 3
TROUBLE: Final = (OSError, ValueError, KeyError, EOFError, zipfile.BadZipFile, sqlite3.Error, PlantviewError)
"""What a process, its octets and the data folder can do to this; none of it may touch the present."""
HOUR_MS: Final = 3_600_000


class Past(Protocol):
    """History as far as it is used here."""

    def frame(self) -> Frame:
        """Return the present."""
        ...

    def range(self, name: str, from_ms: int, to_ms: int) -> Samples:
        """Return the samples of one signal."""
        ...

    def backfill(self, samples: Mapping[str, Samples]) -> object:
        """Merge samples."""
        ...


async def offer_past(order: Order, history: Past, now_ms: int, points: Sequence[str], stop: asyncio.Event) -> None:
    """Fill in the past as far as it can be had; the border behind which nothing of it disturbs the present."""
    try:
        await give_past(order, history, now_ms, points, stop)
    except TROUBLE:
        log.exception("the day before this start cannot be had: trends begin now")


async def give_past(order: Order, history: Past, now_ms: int, points: Sequence[str], stop: asyncio.Event) -> int:
    """Fill in the hours that the order asks for; return how many signals were filled, 0 where nothing was to do."""
    if order.past_h <= 0 or not await _shown(history, points, stop):
        return 0
    from_ms = now_ms - round(order.past_h * HOUR_MS)
    if await asyncio.to_thread(_known, history, points, from_ms, now_ms):
        log.info("the past of this plant is in the data folder already and stays as it is")
        return 0
    made = await _made(order, now_ms, stop)
    return await _kept(history, Rows.unpacked(made), stop) if made else 0


async def _shown(history: Past, points: Sequence[str], stop: asyncio.Event) -> bool:
    """Wait until most points were read once; return False where it was told to stop before."""
    while True:
        readings = history.frame().readings
        if sum(readings[name].reason != NOT_READ for name in points) >= READ_SHARE * len(points):
            return not stop.is_set()
        if await _waited(stop, LOOK_REAL_S):
            return False


def _known(history: Past, points: Sequence[str], from_ms: int, now_ms: int) -> bool:
    return any(history.range(name, from_ms, now_ms).at_ms.size for name in points[:PROBES])


async def _made(order: Order, now_ms: int, stop: asyncio.Event) -> bytes:
    """Return what the other process made; nothing if it failed or is not wanted any more."""
    process = await asyncio.create_subprocess_exec(
        sys.executable, "-m", "plantview.service.past", order.text(), str(now_ms),
        stdin=asyncio.subprocess.DEVNULL, stdout=asyncio.subprocess.PIPE,
    )  # fmt: skip
    reading, stopping = asyncio.ensure_future(process.communicate()), asyncio.ensure_future(stop.wait())
    try:
        await asyncio.wait((reading, stopping), return_when=asyncio.FIRST_COMPLETED)
    finally:
        stopping.cancel()
        if process.returncode is None:
            process.kill()
        made, _ = await reading
    if process.returncode and not stop.is_set():
        log.warning("the day before this start could not be made (exit %d): trends begin now", process.returncode)
    return made if process.returncode == 0 else b""


async def _kept(history: Past, rows: Rows, stop: asyncio.Event) -> int:
    kept = 0
    for first in range(0, len(rows.names), AT_ONCE):
        if stop.is_set():
            break
        numbers = range(first, min(first + AT_ONCE, len(rows.names)))
        try:
            await asyncio.to_thread(history.backfill, {rows.names[number]: rows.samples(number) for number in numbers})
        except HistoryError as error:
            log.warning("the day before this start cannot be kept: %s", error)
            break
        kept += len(numbers)
    return kept


async def _waited(stop: asyncio.Event, seconds: float) -> bool:
    """Return whether it was told to stop meanwhile."""
    try:
        async with asyncio.timeout(seconds):
            await stop.wait()
    except TimeoutError:
        return False
    return True
