"""What is sealed in this plant's own month files goes to the database; only what it has committed is forgotten here.

While the database is away the month files keep everything, within their own bounds, and are read
with it; what was sent twice is merged by name and time and stands there once.
"""

from __future__ import annotations

import contextlib
import threading
from collections.abc import Callable, Sequence
from typing import Any, Final, NamedTuple

import numpy as np
from numpy.typing import NDArray

from plantview.clock import Clock, never
from plantview.history.central import Central, months_of, pruned_days, reading_session
from plantview.history.chunks import (
    BROKEN,
    DAY_MS,
    chunk_key,
    drop_unused_times,
    times_of,
    transaction,
)
from plantview.history.codec import verified
from plantview.history.column import Column, bad_at, unpack_column
from plantview.history.month import SAMPLES, SUMS, MonthFile, month_of, months_in, remove
from plantview.history.postgresql import DatabaseTrouble, Place
from plantview.history.room import Limits
from plantview.history.sealing import GRACE_MS, Piece, Sealer, merge_pieces
from plantview.history.summing import sum_up_day
from plantview.history.tables import DAMAGED, log

ROWS_AT_ONCE: Final = 2_000
BYTES_AT_ONCE: Final = 2_000_000
"""A commit's size: it bounds how much is sent again when the link breaks."""


class Row(NamedTuple):
    """One chunk of a month file: which row, its block as it is there, and what it says."""

    seq: int
    block: bytes
    piece: Piece


class Forwarder:
    """The one writer of the database."""

    def __init__(self, place: Place, sealer: Sealer, clock: Clock, limits: Limits) -> None:
        self.place, self._sealer, self._clock, self._limits = place, sealer, clock, limits
        self._central: Central | None = None
        self.lock = threading.Lock()
        self.sent = self.refused = 0
        """Samples since the start."""
        self.committed_ms = 0
        """When the database last acknowledged."""
        self.bytes = 0

    def _open(self) -> Central:
        if self._central is None:
            self._central = Central(self.place)
        return self._central

    def close(self) -> None:
        """End the session; the next act begins a new one."""
        if self._central is not None:
            self._central.close()
            self._central = None

    def forward(self, enough: Callable[[], bool] = never) -> int:
        """Send what is sealed, oldest month first, until all of it or ``enough`` says yes; return samples."""
        sent = 0
        for month in months_in(self._sealer.folder):
            after = 0
            while rows := self._rows(month, after):
                self._commit(rows)
                self._forget(month, rows)
                after = rows[-1].seq
                sent += sum(row.piece.column.at_ms.size for row in rows)
                if enough():
                    return sent
            self._tidy(month)
        return sent

    def _rows(self, month: str, after: int) -> list[Row]:
        """Return some chunks behind a number; the lock is held only while they are read."""
        with self._sealer.lock:
            file = self._sealer.file(month)
            answer = file.samples.execute(
                "SELECT seq, pid, t0, span, t1, n, times, b FROM chunk WHERE seq > ? ORDER BY seq LIMIT ?",
                (after, ROWS_AT_ONCE),
            )
            found, size, times = [], 0, dict[int, NDArray[np.int64]]()
            for seq, *place, block in answer.fetchall():
                item = file.names.points.get(place[0])
                if item is None:
                    continue  # its description is damaged: the chunk stays for whoever can repair it
                found.append(Row(seq, block, Piece(item, place[1], place[2], _column(file, place, block, times))))
                size += len(block)
                if size >= BYTES_AT_ONCE:
                    break
        return found

    def _commit(self, rows: Sequence[Row]) -> None:
        """Merge chunks into the database; when it returns they are durable there."""
        central = self._open()
        for month in sorted({month_of(row.piece.t0) for row in rows}):
            central.hold(month)
        kept = self._kept(central, [row.piece for row in rows])
        if kept:
            merge_pieces(central, kept, self._reasons(month_of(rows[0].piece.t0)))
        self.sent += sum(piece.column.at_ms.size for piece in kept)
        self.committed_ms = self._clock.now_ms()

    def _reasons(self, month: str) -> dict[int, str]:
        with self._sealer.lock:
            return dict(self._sealer.file(month).names.reasons)

    def _kept(self, central: Central, pieces: Sequence[Piece]) -> list[Piece]:
        """Return what may be merged: not a day that only its summary is left of, which it would replace."""
        pruned = pruned_days(central.samples, days_in(pieces))
        kept = [piece for piece in pieces if (piece.item.name, piece.day) not in pruned]
        refused = sum(piece.column.at_ms.size for piece in pieces) - sum(piece.column.at_ms.size for piece in kept)
        if refused:
            self.refused += refused
            log.error("%s samples are refused: the database has pruned their days, only summaries are left", refused)
        return kept

    def pruned(self, pieces: Sequence[Piece]) -> set[tuple[str, int]]:
        """Return names and days that may not be written any more; none while the database is away, it refuses later."""
        try:
            db = reading_session(self.place)
            if db is None:
                return set()
            with contextlib.closing(db):
                return pruned_days(db, days_in(pieces))
        except DatabaseTrouble:
            return set()

    def _forget(self, month: str, rows: Sequence[Row]) -> None:
        """Forget what the database has; a chunk that was written again meanwhile stays and is sent again."""
        with self._sealer.lock:
            db = self._sealer.file(month).samples
            with transaction(db):
                db.executemany("DELETE FROM chunk WHERE seq = ? AND b = ?", [(row.seq, row.block) for row in rows])
                drop_unused_times(db, sorted({row.piece.day for row in rows}))
                db.execute("DELETE FROM unsummed WHERE day NOT IN (SELECT t0 - t0 % ? FROM chunk)", (DAY_MS,))

    def _tidy(self, month: str) -> None:
        """Unlink a month's files when nothing is left in them and nothing is to come; shorten their logs else."""
        with self._sealer.lock:
            file = self._sealer.file(month)
            if month < month_of(self._clock.now_ms()) and not file.samples.execute("SELECT 1 FROM chunk").fetchone():
                self._sealer.forget(month)
                remove([self._sealer.folder / f"{month}{ending}" for ending in (SAMPLES, SUMS)])
            else:
                # bound to PRAGMA incremental_vacuum through execute it would free one page only
                file.samples.executescript("PRAGMA incremental_vacuum")
                file.shorten_logs()

    def sum_up(self, stop: threading.Event | None = None) -> int:
        """Gather and sum up finished days in the database; return how many."""
        central, limit, days = self._open(), self._clock.now_ms() - DAY_MS - 2 * GRACE_MS, 0
        for day in central.unsummed():
            if day > limit or (stop is not None and stop.is_set()):
                break
            sum_up_day(central, day)
            days += 1
        return days

    def prune(self, keep_days: float, max_bytes: int) -> int:
        """Drop months that are too old, then the oldest until the size fits, never the newest; return how many."""
        central, dropped = self._open(), 0
        db = central.samples
        for table, keep in (("chunk", keep_days), ("sums", max(keep_days, self._limits.keep_sums_days))):
            oldest = month_of(self._clock.now_ms() - round(keep * DAY_MS))
            for month in months_of(db, table):
                if month < oldest:
                    dropped += self._drop(central, month, table)
        while (size := central.bytes()) > max_bytes:
            found = next(
                ((months, table) for table in ("chunk", "sums") if len(months := months_of(db, table)) > 1), None
            )
            if found is None:
                break
            dropped += self._drop(central, found[0][0], found[1])
        self.bytes = size
        return dropped

    def _drop(self, central: Central, month: str, table: str) -> int:
        log.warning(
            "history: the %s of %s are pruned in the database", "summaries" if table == "sums" else "samples", month
        )
        central.drop(month, sums=table == "sums")
        return 1

    def waiting(self) -> int:
        """Return the bytes of sealed history that the database has not acknowledged yet."""
        waiting = 0
        with self._sealer.lock:
            for month in months_in(self._sealer.folder):
                row = (
                    self._sealer.file(month).samples.execute("SELECT coalesce(sum(length(b)), 0) FROM chunk").fetchone()
                )
                waiting += int(row[0])
        return waiting

    def stats(self) -> dict[str, Any]:
        """Return counts for the health page; never waits for the database."""
        return {
            "place": str(self.place),
            "connected": self._central is not None,
            "sent": self.sent,
            "refused": self.refused,
            "committed_ms": self.committed_ms,
            "bytes": self.bytes,
        }


def days_in(pieces: Sequence[Piece]) -> dict[str, set[int]]:
    """Return the days of pieces by name."""
    found: dict[str, set[int]] = {}
    for piece in pieces:
        found.setdefault(piece.item.name, set()).add(piece.day)
    return found


def _column(file: MonthFile, place: Sequence[int], block: bytes, times: dict[int, NDArray[np.int64]]) -> Column:
    """Return a chunk's samples; of one that is not sound a sample that says so."""
    try:
        key = chunk_key(*place)
        return unpack_column(verified(key, block), times_of(file.samples, place[5], place[1], times))
    except BROKEN:
        log.error("a chunk of %s is damaged and goes to the database as a gap", file.month)
        with transaction(file.samples):
            code = file.names.code(DAMAGED)
        return bad_at([place[1]], code)
