"""Moves what was read into month files: by the hour as it comes, by the day with summaries, and merges what comes late.

Order makes it safe to stop anywhere: a month file is committed before the live file forgets,
summaries before the day is marked as summed up; whatever is done twice gives the same.
"""

from __future__ import annotations

import itertools
import sqlite3
import threading
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Final

import numpy as np

from plantview.clock import Clock
from plantview.errors import StartRefused
from plantview.history.chunks import DAY_MS, HOUR_MS, Put, Sealed, transaction
from plantview.history.column import Column, column_of
from plantview.history.hotblock import Hot
from plantview.history.live import LiveFile, by_point
from plantview.history.month import SAMPLES, SUMS, MonthFile, month_of, months_in
from plantview.history.samples import Described, Report, Samples
from plantview.history.summing import sum_up_day
from plantview.history.tables import log

GRACE_MS: Final = 60_000
"""An hour is sealed a minute after it ended, so that it rarely has to be opened again."""
SAMPLES_AT_ONCE: Final = 1_500_000
BYTES_AT_ONCE: Final = 2_000_000
"""A transaction's size: it bounds the write-ahead log, and how long a reader's view is held back."""
FILES_OPEN_MAX: Final = 2


@dataclass(frozen=True, slots=True)
class Piece:
    """Samples of one signal within one hour or day."""

    item: Described
    t0: int
    span: int
    column: Column
    """Reasons still coded as where they come from."""

    @property
    def day(self) -> int:
        """Return when its day begins."""
        return self.t0 - self.t0 % DAY_MS


Pruned = Callable[[Sequence[Piece]], set[tuple[str, int]]]
"""Says of which names and days, of some pieces, only a summary is left."""


class Sealer:
    """The one writer of month files; its lock lets several threads use it in turn."""

    def __init__(self, folder: Path, clock: Clock) -> None:
        self.folder, self.clock = folder, clock
        self.lock = threading.RLock()
        self._files: dict[str, MonthFile] = {}
        self.month = ""
        """The month that is being written, to say which file an error is about."""

    def close(self) -> None:
        """Close all files."""
        with self.lock:
            while self._files:
                self._files.popitem()[1].close()

    def forget(self, month: str) -> None:
        """Close the files of a month, for they are to be removed."""
        with self.lock:
            found = self._files.pop(month, None)
            if found is not None:
                found.close()

    def file(self, month: str) -> MonthFile:
        """Return the files of a month, opened or created."""
        self.month = month
        if month not in self._files:
            while len(self._files) >= FILES_OPEN_MAX:
                self.forget(min(self._files))
            self._files[month] = MonthFile(self.folder, month)
        return self._files[month]

    def seal(self, live: LiveFile, *, everything: bool = False) -> int:
        """Move finished hours, or everything, from the live file; return how many samples."""
        now_ms = self.clock.now_ms() - GRACE_MS
        moved, ids, found = 0, list[int](), list[Hot]()
        with self.lock:
            for numbers, hots in live.parts(None if everything else now_ms - now_ms % HOUR_MS):
                ids += numbers
                found += hots
                if sum(hot.point.size for hot in found) >= SAMPLES_AT_ONCE:
                    moved += self._move(live, ids, found)
                    ids, found = [], []
            if ids:
                moved += self._move(live, ids, found)
            if moved:
                self.shorten_logs()
                live.shorten_log()
        return moved

    def _move(self, live: LiveFile, ids: Sequence[int], found: Sequence[Hot]) -> int:
        pieces = list(_hours(found, live.names.points)) if found else []
        self._merge_all(pieces, live.names.reasons)
        live.delete(ids)
        return sum(piece.column.at_ms.size for piece in pieces)

    def _merge_all(self, pieces: Sequence[Piece], reasons: Mapping[int, str]) -> None:
        months: dict[str, list[Piece]] = {}
        for piece in pieces:
            months.setdefault(month_of(piece.t0), []).append(piece)
        for month, those in sorted(months.items()):
            file = self.file(month)
            for group in _by_size(those):
                merge_pieces(file, group, reasons)

    def backfill(self, samples: Mapping[str, tuple[Described, Samples]], pruned: Pruned | None = None) -> Report:
        """Merge samples of any age by name and time, later ones win; durable when it returns.

        ``pruned`` says which of some pieces are of days that only a summary is left of; without it the month files do.
        """
        gone = pruned or self._pruned
        taken, refused, problems = 0, 0, list[str]()
        with self.lock:
            for name, (item, given) in samples.items():
                column, reasons = column_of(given)
                pieces = list(_days(item, column, self.clock.now_ms()))
                without = gone(pieces)
                kept = [piece for piece in pieces if (name, piece.day) not in without]
                lost = column.at_ms.size - sum(piece.column.at_ms.size for piece in kept)
                if lost:
                    problems.append(
                        f"{name}: {lost} samples refused, they are of days whose samples were pruned and "
                        "whose summaries they would replace"
                    )
                self._merge_all(kept, reasons)
                taken, refused = taken + column.at_ms.size - lost, refused + lost
            self.shorten_logs()
        return Report({"taken": taken, "refused": refused}, tuple(problems))

    def _pruned(self, pieces: Sequence[Piece]) -> set[tuple[str, int]]:
        """Return names and days of which a summary is all that is left."""
        return {(piece.item.name, piece.day) for piece in pieces if self._is_pruned(piece)}

    def _is_pruned(self, piece: Piece) -> bool:
        month = month_of(piece.t0)
        if not (self.folder / f"{month}{SUMS}").exists():
            return False
        if not (self.folder / f"{month}{SAMPLES}").exists():
            return True
        return self.file(month).pruned(piece.item.name, piece.day)

    def sum_up(self) -> int:
        """Gather the hours of finished days into day chunks with summaries; return how many days."""
        limit, days, refused = self.clock.now_ms() - DAY_MS - 2 * GRACE_MS, 0, list[StartRefused]()
        for month in months_in(self.folder):
            try:
                with self.lock:
                    due = [day for day in self.file(month).unsummed() if day <= limit]
            except StartRefused as error:  # of a newer version: the other months go on
                refused.append(error)
                continue
            for day in due:
                with self.lock:
                    sum_up_day(self.file(month), day)
                days += 1
            with self.lock:
                if due:
                    self.file(month).shorten_logs()
        if refused:
            raise refused[0]
        return days

    def shorten_logs(self) -> None:
        """Put the write-ahead logs of open files into them and cut them."""
        for file in self._files.values():
            file.shorten_logs()


def merge_pieces(file: Sealed, pieces: Sequence[Piece], reasons: Mapping[int, str]) -> None:
    """Merge some pieces in one transaction, their reasons in the numbers of the place they go to."""
    with transaction(file.samples):
        codes = file.names.recoded(reasons)
        file.merge_all(
            [
                Put(file.names.pid(piece.item), piece.t0, piece.span, piece.column.with_reasons(codes))
                for piece in pieces
            ]
        )


def _hours(found: Sequence[Hot], points: Mapping[int, Described]) -> Iterator[Piece]:
    """Yield readings as they came as pieces of one point and one hour."""
    for pid, column in by_point(found).items():
        item = points.get(pid)
        if item is None:
            log.error("readings of point number %s of live.db are lost, its description is damaged", pid)
            continue
        for first, end in _cuts(column.at_ms // HOUR_MS):
            t0 = int(column.at_ms[first]) // HOUR_MS * HOUR_MS
            yield Piece(item, t0, HOUR_MS, column.part(slice(first, end)))


def _cuts(numbers: np.ndarray) -> list[tuple[int, int]]:
    """Return where runs of one number begin and end."""
    borders = [0, *(np.flatnonzero(np.diff(numbers)) + 1).tolist(), numbers.size]
    return [(first, end) for first, end in itertools.pairwise(borders) if end > first]


def _days(item: Described, column: Column, now_ms: int) -> Iterator[Piece]:
    """Yield samples of one signal as pieces of whole days, of hours for the day that is not over."""
    finished = now_ms - now_ms % DAY_MS
    span = np.where(column.at_ms < finished, DAY_MS, HOUR_MS)
    t0 = column.at_ms - column.at_ms % span
    for first, end in _cuts(t0):
        yield Piece(item, int(t0[first]), int(span[first]), column.part(slice(first, end)))


def _by_size(pieces: Sequence[Piece]) -> Iterator[Sequence[Piece]]:
    """Yield pieces in groups whose transactions stay small, at two bytes a sample."""
    first, size = 0, 0
    for number, piece in enumerate(pieces):
        size += 2 * piece.column.at_ms.size
        if size >= BYTES_AT_ONCE:
            yield pieces[first : number + 1]
            first, size = number + 1, 0
    if first < len(pieces):
        yield pieces[first:]


def named(error: BaseException) -> str:
    """Return an error of disk or database in one line."""
    return str(error) or type(error).__name__


def is_full(error: BaseException) -> bool:
    """Return whether a disk has no room left."""
    code = getattr(error, "sqlite_errorcode", None)
    return code == sqlite3.SQLITE_FULL or (isinstance(error, OSError) and error.errno in {28, 122})


def is_damaged(error: BaseException) -> bool:
    """Return whether a file is not a sound database any more."""
    code = getattr(error, "sqlite_errorcode", 0) or 0
    return (code & 0xFF) in {sqlite3.SQLITE_CORRUPT, sqlite3.SQLITE_NOTADB}
