"""One UTC month of sealed history as files: ``2026-11.db`` holds every sample, ``2026-11.sums.db`` its summaries."""

from __future__ import annotations

import contextlib
import os
import sqlite3
from collections.abc import Sequence
from datetime import UTC, datetime
from pathlib import Path
from typing import Final

from plantview.history.chunks import Sealed
from plantview.history.tables import writing_connection

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


class MonthFile(Sealed):
    """The writing side of one month: one connection to its samples, one to its summaries."""

    samples: sqlite3.Connection
    sums: sqlite3.Connection

    def __init__(self, folder: Path, month: str) -> None:
        """Open or create both files; sqlite3.Error or OSError if the disk fails."""
        with contextlib.ExitStack() as opened:
            samples = opened.enter_context(contextlib.closing(_open(folder / f"{month}{SAMPLES}", SAMPLE_TABLES)))
            sums = opened.enter_context(contextlib.closing(_open(folder / f"{month}{SUMS}", SUM_TABLES)))
            super().__init__(samples, sums)
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


def _open(path: Path, tables: str) -> sqlite3.Connection:
    create(path, tables)
    return writing_connection(path, tables)


def remove(paths: Sequence[Path]) -> int:
    """Unlink database files with what SQLite keeps beside them; return the bytes."""
    freed = 0
    for path in paths:
        for file in (path, path.with_name(path.name + "-wal"), path.with_name(path.name + "-shm")):
            with contextlib.suppress(FileNotFoundError):
                freed += file.stat().st_size
                file.unlink()
    return freed
