"""``live.db``: what was read since the last seal, one block per commit, durable when the commit returns."""

from __future__ import annotations

import contextlib
import itertools
import sqlite3
import struct
import threading
from collections.abc import Iterator, Mapping, Sequence
from pathlib import Path
from typing import Final

import numpy as np

from plantview.history.codec import Damaged
from plantview.history.column import Column, merged
from plantview.history.hotblock import Hot, pack_hot, unpack_hot
from plantview.history.samples import Described
from plantview.history.tables import Names, log, read_points, read_reasons, reading_connection, writing_connection
from plantview.model.quality import Quality
from plantview.model.reading import Batch

FILE: Final = "live.db"
ROWS_AT_ONCE: Final = 256
_KEY: Final = struct.Struct("<qqq")

TABLES: Final = (
    "CREATE TABLE IF NOT EXISTS hot (id INTEGER PRIMARY KEY, from_ms INTEGER, to_ms INTEGER, b BLOB NOT NULL);"
)


class LiveFile:
    """The one writing connection of ``live.db``; its lock lets several threads use it in turn."""

    def __init__(self, path: Path, points: Mapping[str, Described]) -> None:
        """Open or create the file; sqlite3.Error or OSError if the disk fails."""
        self.path = path
        self._lock = threading.Lock()
        self._db = writing_connection(path, TABLES)
        try:
            self.names = Names(self._db)
            with self._transaction():
                self._pids = {name: self.names.pid(item) for name, item in points.items()}
            kept = self._db.execute("SELECT value FROM meta WHERE key = 'last_id'").fetchone()
            newest = self._db.execute("SELECT max(id) FROM hot").fetchone()[0] or 0
        except BaseException:
            self._db.close()
            raise
        self._next_id = max(int(kept[0]) if kept else 0, newest) + 1
        self._derived = frozenset(name for name, item in points.items() if item.derived)

    def close(self) -> None:
        """Close the connection; the write-ahead log is put into the file where that is possible."""
        with self._lock, contextlib.suppress(sqlite3.Error):
            self._db.close()

    def append(self, batches: Sequence[Batch]) -> int:
        """Commit the readings of batches as one block; return how many; durable when it returns."""
        with self._lock:
            hot = self._hot(batches)
            if hot.point.size:
                place = (self._next_id, int(hot.at_ms.min()), int(hot.at_ms.max()))
                self._commit(*place, pack_hot(hot, _KEY.pack(*place)))
                self._next_id += 1
        return hot.point.size

    def _commit(self, number: int, low: int, high: int, block: bytes) -> None:
        # one statement is one transaction: each further one would wait once more for the interpreter
        self._db.execute("INSERT INTO hot VALUES (?, ?, ?, ?)", (number, low, high, block))

    def _hot(self, batches: Sequence[Batch]) -> Hot:
        """Return readings as arrays; a derived value stands where it was worked out, not where its inputs were read."""
        pids, derived, code = self._pids, self._derived, self.names.code
        rows = [
            (
                pid,
                batch.at_ms if name in derived else reading.at_ms,
                reading.value,
                reading.quality,
                code(reading.reason) if reading.reason else 0,
            )
            for batch in batches
            for name, reading in batch.readings.items()
            if (pid := pids.get(name)) is not None
        ]
        point, at_ms, values, quality, reason = zip(*rows, strict=True) if rows else ((), (), (), (), ())
        numbers = np.array(values, np.float64)
        marks = np.array(quality, np.uint8)
        numbers[marks == Quality.BAD] = np.nan
        return Hot(np.array(point, np.int32), np.array(at_ms, np.int64), numbers, marks, np.array(reason, np.uint16))

    def parts(self, before_ms: int | None = None) -> Iterator[tuple[list[int], list[Hot]]]:
        """Yield the rows that hold anything from before a time, some at once: their ids, and what they hold.

        A damaged row is logged and yields its id only.
        """
        limit, after = before_ms if before_ms is not None else 2**62, 0
        while True:
            with self._lock:
                rows = self._db.execute(
                    "SELECT id, from_ms, to_ms, b FROM hot WHERE id > ? AND from_ms < ? ORDER BY id LIMIT ?",
                    (after, limit, ROWS_AT_ONCE),
                ).fetchall()
            if not rows:
                return
            after = rows[-1][0]
            yield [row[0] for row in rows], _unpacked(rows)

    def delete(self, ids: Sequence[int]) -> None:
        """Forget rows that are sealed; their numbers are never used again."""
        with self._lock, self._transaction():
            self._db.executemany("DELETE FROM hot WHERE id = ?", [(number,) for number in ids])
            self._db.execute("INSERT OR REPLACE INTO meta VALUES ('last_id', ?)", (str(self._next_id - 1),))

    def shorten_log(self) -> None:
        """Put the write-ahead log into the file and cut it."""
        with self._lock:
            self._db.execute("PRAGMA wal_checkpoint(TRUNCATE)").fetchall()

    def extent(self) -> tuple[int, int, int]:
        """Return the number of rows, and the first and last time in them (0, 0 if none)."""
        with self._lock:
            count, low, high = self._db.execute("SELECT count(*), min(from_ms), max(to_ms) FROM hot").fetchone()
        return count, low or 0, high or 0

    @contextlib.contextmanager
    def _transaction(self) -> Iterator[None]:
        self._db.execute("BEGIN IMMEDIATE")
        try:
            yield
        except BaseException:
            with contextlib.suppress(sqlite3.Error):
                self._db.execute("ROLLBACK")
            raise
        self._db.execute("COMMIT")


def _unpacked(rows: Sequence[tuple[int, int, int, bytes]]) -> list[Hot]:
    found = []
    for number, low, high, block in rows:
        try:
            found.append(unpack_hot(block, _KEY.pack(number, low, high)))
        except (Damaged, ValueError) as error:
            log.error("row %s of live.db is not readable: %s", number, error)
    return found


def read_live(path: Path) -> tuple[dict[int, Described], dict[int, str], list[Hot]]:
    """Return points, reasons and readings of a live file that no process writes."""
    with contextlib.closing(reading_connection(path)) as db:
        points, reasons = read_points(db), read_reasons(db)
        return points, reasons, _unpacked(db.execute("SELECT id, from_ms, to_ms, b FROM hot ORDER BY id").fetchall())


def is_sound(number: int, low: int, high: int, block: bytes) -> bool:
    """Return whether a row is what was written."""
    return bool(_unpacked([(number, low, high, block)]))


def by_point(hots: Sequence[Hot]) -> dict[int, Column]:
    """Return readings as they came by point number, each in order of time."""
    if not hots:
        return {}
    point = np.concatenate([hot.point for hot in hots])
    whole = Column(
        np.concatenate([hot.at_ms for hot in hots]),
        np.concatenate([hot.values for hot in hots]),
        np.concatenate([hot.quality for hot in hots]),
        np.concatenate([hot.reason for hot in hots]),
    )
    order = np.lexsort((whole.at_ms, point))  # stable: of equal times the later commit stays behind
    point, whole = point[order], whole.part(order)
    cuts = [0, *(np.flatnonzero(np.diff(point)) + 1).tolist(), point.size]
    parts = itertools.pairwise(cuts)
    return {int(point[first]): merged([whole.part(slice(first, end))]) for first, end in parts if end > first}
