"""One UTC month of sealed history: ``2026-11.db`` holds every sample, ``2026-11.sums.db`` its summaries.

Samples of a point stand in chunks of an hour, later of a day; times that several points share
are kept once. Chunks may overlap: of two samples at one time the chunk written later counts,
so that sealing twice what was sealed before changes nothing.
"""

from __future__ import annotations

import contextlib
import hashlib
import os
import sqlite3
import struct
import zlib
from collections.abc import Iterable, Iterator, Sequence
from datetime import UTC, datetime
from pathlib import Path
from typing import Final

import numpy as np
from numpy.typing import NDArray

from plantview.history.codec import Damaged, pack_times, protect, unpack_times, verified
from plantview.history.column import Column, merged, pack_column, unpack_column
from plantview.history.reduce import Rows
from plantview.history.sums import pack_sums
from plantview.history.tables import Names, writing_connection

HOUR_MS: Final = 3_600_000
DAY_MS: Final = 86_400_000
STEPS_MS: Final = (300_000, HOUR_MS)
"""What days are summed up in."""

SAMPLES: Final = ".db"
SUMS: Final = ".sums.db"
UNFINISHED: Final = ".new"

SAMPLE_TABLES: Final = """
CREATE TABLE IF NOT EXISTS times (id INTEGER PRIMARY KEY, t0 INTEGER NOT NULL, b BLOB NOT NULL);
CREATE TABLE IF NOT EXISTS chunk (
    seq INTEGER PRIMARY KEY, pid INTEGER NOT NULL, t0 INTEGER NOT NULL, span INTEGER NOT NULL, t1 INTEGER NOT NULL,
    n INTEGER NOT NULL, times INTEGER NOT NULL, b BLOB NOT NULL);
CREATE UNIQUE INDEX IF NOT EXISTS chunk_place ON chunk (pid, t0, span);
CREATE TABLE IF NOT EXISTS unsummed (day INTEGER PRIMARY KEY);
"""
SUM_TABLES: Final = """
CREATE TABLE IF NOT EXISTS sums (
    pid INTEGER NOT NULL, step INTEGER NOT NULL, day INTEGER NOT NULL, b BLOB NOT NULL);
CREATE UNIQUE INDEX IF NOT EXISTS sums_place ON sums (pid, step, day);
"""
_CHUNK_KEY: Final = struct.Struct("<qqqqqq")
_TIMES_KEY: Final = struct.Struct("<qq")
_SUMS_KEY: Final = struct.Struct("<qqq")


def month_of(at_ms: int) -> str:
    """Return the UTC month of a time, ``2026-11``; ValueError for a time in no calendar."""
    try:
        return datetime.fromtimestamp(at_ms / 1_000, UTC).strftime("%Y-%m")
    except (OverflowError, OSError) as error:
        raise ValueError(f"{at_ms} ms is no time of a calendar") from error


def month_start(month: str) -> int:
    """Return the first millisecond of a month."""
    return round(datetime.strptime(month, "%Y-%m").replace(tzinfo=UTC).timestamp() * 1_000)


def months_in(folder: Path, ending: str = SAMPLES) -> list[str]:
    """Return the months that have a file, oldest first."""
    names = (path.name.removesuffix(ending) for path in folder.glob(f"[0-9][0-9][0-9][0-9]-[0-9][0-9]{ending}"))
    return sorted(name for name in names if len(name) == 7)


def chunk_key(pid: int, t0: int, span: int, t1: int, n: int, times: int) -> bytes:
    """Return what a chunk's checksum covers beside its content."""
    return _CHUNK_KEY.pack(pid, t0, span, t1, n, times)


def times_key(number: int, t0: int) -> bytes:
    """Return the same of a block of times."""
    return _TIMES_KEY.pack(number, t0)


def sums_key(pid: int, step: int, day: int) -> bytes:
    """Return the same of a summary."""
    return _SUMS_KEY.pack(pid, step, day)


def create(path: Path, tables: str) -> None:
    """Make a file appear under its name only when it is complete: a reader may look at any moment."""
    if path.exists():
        return
    unfinished = path.with_name(path.name + UNFINISHED)
    for leftover in path.parent.glob(unfinished.name + "*"):
        leftover.unlink()
    writing_connection(unfinished, tables, shrinks=True).close()
    unfinished.replace(path)
    folder = os.open(path.parent, os.O_RDONLY)
    try:
        os.fsync(folder)
    finally:
        os.close(folder)


class MonthFile:
    """The writing side of one month: one connection to its samples, one to its summaries."""

    def __init__(self, folder: Path, month: str) -> None:
        """Open or create both files; sqlite3.Error or OSError if the disk fails."""
        with contextlib.ExitStack() as opened:
            self.samples = opened.enter_context(contextlib.closing(_open(folder / f"{month}{SAMPLES}", SAMPLE_TABLES)))
            self.sums = opened.enter_context(contextlib.closing(_open(folder / f"{month}{SUMS}", SUM_TABLES)))
            self.names, self.sum_names = Names(self.samples), Names(self.sums)
            self._opened = opened.pop_all()
        self.month = month

    def close(self) -> None:
        """Close both; their write-ahead logs go into the files."""
        with contextlib.suppress(sqlite3.Error):
            self._opened.close()

    def shorten_logs(self) -> None:
        """Put the write-ahead logs into the files and cut them."""
        for db in (self.samples, self.sums):
            db.execute("PRAGMA wal_checkpoint(TRUNCATE)").fetchall()

    def merge(self, pid: int, t0: int, span: int, column: Column) -> int:
        """Merge samples into the chunk at a place, inside a transaction; return the bytes written."""
        there = list(read_chunks(self.samples, pid, t0, t0 + 1, span=span))
        return self.put(pid, t0, span, merged([*there, column]))

    def put(self, pid: int, t0: int, span: int, column: Column) -> int:
        """Write the chunk at a place, inside a transaction; return the bytes written."""
        times = pack_times(column.at_ms)
        number = int.from_bytes(hashlib.blake2b(times, digest_size=8, salt=_TIMES_KEY.pack(t0, span)).digest()) >> 1
        self.samples.execute(
            "INSERT OR IGNORE INTO times VALUES (?, ?, ?)", (number, t0, protect(times_key(number, t0), times))
        )
        place = (pid, t0, span, int(column.at_ms[-1]), column.at_ms.size, number)
        block = protect(chunk_key(*place), pack_column(column))
        self.samples.execute(
            "INSERT OR REPLACE INTO chunk (pid, t0, span, t1, n, times, b) VALUES (?, ?, ?, ?, ?, ?, ?)",
            (*place, block),
        )
        self.samples.execute("INSERT OR IGNORE INTO unsummed VALUES (?)", (t0 - t0 % DAY_MS,))
        return len(block)

    def put_sums(self, pid: int, step: int, day: int, rows: Rows) -> int:
        """Write one day's summary, inside a transaction; return the bytes written."""
        block = protect(sums_key(pid, step, day), pack_sums(rows))
        self.sums.execute("INSERT OR REPLACE INTO sums VALUES (?, ?, ?, ?)", (pid, step, day, block))
        return len(block)

    def has_samples(self, name: str, day: int) -> bool:
        """Return whether there is any sample of a name on a day."""
        return _any(
            self.samples, "SELECT 1 FROM chunk JOIN point USING (pid) WHERE name = ? AND t0 >= ? AND t0 < ?", name, day
        )

    def has_sums(self, name: str, day: int) -> bool:
        """Return whether a day of a name is summed up."""
        return _any(
            self.sums, "SELECT 1 FROM sums JOIN point USING (pid) WHERE name = ? AND day >= ? AND day < ?", name, day
        )

    def unsummed(self) -> list[int]:
        """Return the days whose summaries are missing or out of date."""
        return [row[0] for row in self.samples.execute("SELECT day FROM unsummed ORDER BY day").fetchall()]


def _any(db: sqlite3.Connection, question: str, name: str, day: int) -> bool:
    return db.execute(f"{question} LIMIT 1", (name, day, day + DAY_MS)).fetchone() is not None


def _open(path: Path, tables: str) -> sqlite3.Connection:
    create(path, tables)
    return writing_connection(path, tables)


@contextlib.contextmanager
def transaction(db: sqlite3.Connection) -> Iterator[None]:
    """Commit what is done inside, or nothing of it."""
    db.execute("BEGIN IMMEDIATE")
    try:
        yield
    except BaseException:
        with contextlib.suppress(sqlite3.Error):
            db.execute("ROLLBACK")
        raise
    db.execute("COMMIT")


def read_chunks(
    db: sqlite3.Connection,
    pid: int,
    from_ms: int,
    to_ms: int,
    *,
    span: int | None = None,
    times: dict[int, NDArray[np.int64]] | None = None,
    damaged: list[int] | None = None,
) -> Iterator[Column]:
    """Yield the chunks of a point that begin in a stretch, in the order in which they were written.

    ``times`` keeps unpacked times for further points. The begin of a chunk that is not sound is
    appended to ``damaged`` if that is given; it is left out.
    """
    known = {} if times is None else times
    rows = db.execute(
        "SELECT seq, pid, t0, span, t1, n, times, b FROM chunk WHERE pid = ? AND t0 >= ? AND t0 < ?",
        (pid, from_ms, to_ms),
    ).fetchall()
    rows.sort(key=lambda row: int(row[0]))  # in SQL the blocks themselves would go through the sorter
    for _, *place, block in rows:
        if span is not None and place[2] != span:
            continue
        try:
            yield unpack_column(verified(chunk_key(*place), block), _times(db, place[5], known))
        except BROKEN:
            if damaged is not None:
                damaged.append(place[1])


BROKEN: Final = (Damaged, ValueError, OverflowError, struct.error, zlib.error)
"""What unpacking a block that is not sound may raise."""


def _times(db: sqlite3.Connection, number: int, known: dict[int, NDArray[np.int64]]) -> NDArray[np.int64]:
    if number not in known:
        row = db.execute("SELECT t0, b FROM times WHERE id = ?", (number,)).fetchone()
        if row is None:
            raise Damaged("its times are missing")
        known[number] = unpack_times(verified(times_key(number, row[0]), row[1]))
    return known[number]


def drop_unused_times(db: sqlite3.Connection, days: Iterable[int]) -> None:
    """Forget times that no chunk of these days needs any more, inside a transaction."""
    for day in days:
        db.execute(
            "DELETE FROM times WHERE t0 >= ? AND t0 < ? AND id NOT IN"
            " (SELECT times FROM chunk WHERE t0 >= ? AND t0 < ?)",
            (day, day + DAY_MS) * 2,
        )


def remove(paths: Sequence[Path]) -> int:
    """Unlink database files with what SQLite keeps beside them; return the bytes."""
    freed = 0
    for path in paths:
        for file in (path, path.with_name(path.name + "-wal"), path.with_name(path.name + "-shm")):
            with contextlib.suppress(FileNotFoundError):
                freed += file.stat().st_size
                file.unlink()
    return freed
