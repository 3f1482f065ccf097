"""Verifies a history folder: SQLite's own check of every file, and the checksum of every block and row."""

from __future__ import annotations

import contextlib
import sqlite3
from collections.abc import Iterator
from pathlib import Path

from plantview.history.central import days_of
from plantview.history.chunks import BROKEN, chunk_key, sums_key, times_key
from plantview.history.codec import unpack_times, verified
from plantview.history.column import unpack_column
from plantview.history.live import FILE, is_sound
from plantview.history.month import SAMPLES, SUMS, months_in
from plantview.history.reading import FAR_MS
from plantview.history.samples import Report
from plantview.history.tables import Connection, damaged_rows, reading_connection


def check_folder(folder: Path) -> Report:
    """Return how many blocks of how many files were read, and what is wrong with them."""
    counts = {"files": 0, "blocks": 0, "damaged": 0}
    problems: list[str] = []
    files = [f"{month}{ending}" for ending in (SAMPLES, SUMS) for month in months_in(folder, ending)]
    files += [FILE] if (folder / FILE).exists() else []
    for name in files:
        counts["files"] += 1
        try:
            with contextlib.closing(reading_connection(folder / name)) as db:
                problems += [f"{name}: {text}" for text in _quick_check(db)]
                rows = damaged_rows(db)
                problems += [f"{name}: {rows} descriptions or reasons are damaged"] if rows else []
                counts["damaged"] += rows
                for what, sound in _blocks(db, name):
                    counts["blocks"] += 1
                    if not sound:
                        counts["damaged"] += 1
                        problems.append(f"{name}: {what} is damaged")
        except sqlite3.Error as error:
            counts["damaged"] += 1
            problems.append(f"{name} cannot be read: {error}")
    return Report(counts, tuple(problems))


def check_database(db: Connection) -> Report:
    """Return the same of the tables of a plant in a database, a day at a time."""
    counts = {"files": 1, "blocks": 0, "damaged": damaged_rows(db)}
    problems = [f"the database: {counts['damaged']} descriptions or reasons are damaged"] if counts["damaged"] else []
    for begin, end in days_of(db):
        for what, sound in (*_samples(db, begin, end), *_sums(db, begin, end)):
            counts["blocks"] += 1
            if not sound:
                counts["damaged"] += 1
                problems.append(f"the database: {what} is damaged")
    return Report(counts, tuple(problems))


def _quick_check(db: sqlite3.Connection) -> list[str]:
    return [row[0] for row in db.execute("PRAGMA quick_check(5)").fetchall() if row[0] != "ok"]


def _blocks(db: sqlite3.Connection, name: str) -> Iterator[tuple[str, bool]]:
    """Yield every block of a file, what it is and whether it is sound."""
    if name == FILE:
        for number, low, high, block in db.execute("SELECT id, from_ms, to_ms, b FROM hot"):
            yield f"commit {number}", is_sound(number, low, high, block)
    elif name.endswith(SUMS):
        yield from _sums(db, 0, FAR_MS)
    else:
        yield from _samples(db, 0, FAR_MS)


def _sums(db: Connection, begin: int, end: int) -> Iterator[tuple[str, bool]]:
    for *place, block in db.execute("SELECT pid, step, day, b FROM sums WHERE day >= ? AND day < ?", (begin, end)):
        yield f"a summary of point {place[0]}", _agrees(sums_key(*place), block)


def _samples(db: Connection, begin: int, end: int) -> Iterator[tuple[str, bool]]:
    times = {}
    for number, t0, block in db.execute("SELECT id, t0, b FROM times WHERE t0 >= ? AND t0 < ?", (begin, end)):
        sound = _agrees(times_key(number, t0), block)
        if sound:
            times[number] = unpack_times(block[4:])
        yield f"times {number}", sound
    for *place, block in db.execute(
        "SELECT pid, t0, span, t1, n, times, b FROM chunk WHERE t0 >= ? AND t0 < ?", (begin, end)
    ):
        sound = False
        with contextlib.suppress(*BROKEN, KeyError):
            unpack_column(verified(chunk_key(*place), block), times[place[5]])
            sound = True
        yield f"a chunk of point {place[0]}", sound


def _agrees(key: bytes, block: bytes) -> bool:
    try:
        verified(key, block)
    except BROKEN:
        return False
    return True
