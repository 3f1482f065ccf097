"""What live file, month files and a database have in common: connections, and their lists of points and reasons.

Each describes itself: it can be read without a plant description, and numbers its points
itself. A point whose unit, quantity or states change gets a further row. Statements are such
that SQLite and PostgreSQL understand them alike.
"""

from __future__ import annotations

import functools
import json
import logging
import re
import sqlite3
import zlib
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any, Final, Protocol

import numpy as np
from numpy.typing import NDArray

from plantview.errors import StartRefused
from plantview.history.samples import Described

SCHEMA: Final = 1
REASONS_MAX: Final = 4_000
"""Different reasons per file that are kept as text; a further one reads "other"."""
OTHER: Final = "other"
DAMAGED: Final = "damaged on disk"
"""The reason of the sample that stands where a chunk was lost."""
AGE: Final = re.compile(r"; (?:value is|last value) \d+ (?:s|min|h|d) (?:old|ago)")
"""As ``latest`` words it: with it one silence would be hundreds of reasons, and the times say it anyway."""
CHECKPOINT_PAGES: Final = 1_000
LOG_BYTES_KEPT: Final = 4_000_000
BUSY_S: Final = 5.0

TROUBLE: Final = (sqlite3.Error, OSError)
"""What disks and databases raise; a database behind a network raises an OSError."""

log = logging.getLogger("plantview.history")


class Connection(Protocol):
    """A connection to a file or a database; what rows hold follows from the statement."""

    def execute(self, sql: str, parameters: Sequence[Any] = ..., /) -> Any:  # noqa: ANN401
        """Run one statement; the answer has ``fetchone`` and ``fetchall`` and can be iterated."""
        ...

    def executemany(self, sql: str, parameters: Sequence[Sequence[Any]], /) -> object:
        """Run one statement for many rows."""
        ...

    def close(self) -> None:
        """End it."""
        ...


TABLES: Final = """
CREATE TABLE IF NOT EXISTS meta (key TEXT PRIMARY KEY, value TEXT NOT NULL);
CREATE TABLE IF NOT EXISTS point (
    pid INTEGER PRIMARY KEY, name TEXT NOT NULL, unit TEXT NOT NULL, quantity TEXT NOT NULL, states TEXT NOT NULL,
    label TEXT NOT NULL, period_s REAL NOT NULL, derived INTEGER NOT NULL, crc INTEGER NOT NULL);
CREATE TABLE IF NOT EXISTS reason (id INTEGER PRIMARY KEY, text TEXT NOT NULL, crc INTEGER NOT NULL);
"""


def writing_connection(path: Path, tables: str, *, shrinks: bool = False) -> sqlite3.Connection:
    """Return the one writing connection of a file, made durable; StartRefused if it is from a newer version.

    A new file that ``shrinks`` can give back the room of what is deleted from it.
    """
    db = sqlite3.connect(path, timeout=BUSY_S, check_same_thread=False, isolation_level=None)
    try:
        if shrinks:
            db.execute("PRAGMA auto_vacuum=INCREMENTAL")  # has no effect once there is a log or a table
        db.execute("PRAGMA journal_mode=WAL")
        db.execute("PRAGMA synchronous=FULL")
        # Debian builds SQLite to overwrite what is deleted: a deleted hour would be written once more
        db.execute("PRAGMA secure_delete=OFF")
        db.execute(f"PRAGMA wal_autocheckpoint={CHECKPOINT_PAGES}")
        db.execute(f"PRAGMA journal_size_limit={LOG_BYTES_KEPT}")
        refuse_newer(db, path)
        db.executescript(f"BEGIN; {TABLES} {tables} COMMIT;")
        db.execute("INSERT OR IGNORE INTO meta VALUES ('schema', ?)", (SCHEMA,))
    except BaseException:
        db.close()
        raise
    return db


def reading_connection(path: Path) -> sqlite3.Connection:
    """Return a reading connection; fetch whole answers and close it, or the write-ahead log cannot be reset."""
    return sqlite3.connect(f"file:{path}?mode=ro", uri=True, timeout=BUSY_S, isolation_level=None)


def refuse_newer(db: sqlite3.Connection, path: Path) -> None:
    """Raise StartRefused if a file has a schema that this version does not know."""
    if db.execute("SELECT 1 FROM sqlite_master WHERE name = 'meta'").fetchone() is None:
        return
    row = db.execute("SELECT value FROM meta WHERE key = 'schema'").fetchone()
    if row and str(row[0]).isdigit() and int(row[0]) > SCHEMA:
        raise StartRefused(
            f"{path} was written by a newer plantview (schema {row[0]}, this one knows {SCHEMA}); "
            "install the newer version or choose another data folder"
        )


class Names:
    """The point and reason rows of one file that is written."""

    def __init__(self, db: Connection) -> None:
        self._db = db
        self.points = read_points(db)
        self.reasons = read_reasons(db)
        self._pid = {_identity(item): pid for pid, item in self.points.items()}
        self._newest = {item.name: pid for pid, item in self.points.items()}
        self._code = {text: code for code, text in self.reasons.items()}
        self._next_pid = 1 + max((row[0] or 0 for row in db.execute("SELECT max(pid) FROM point")), default=0)
        self._next_code = 1 + max((row[0] or 0 for row in db.execute("SELECT max(id) FROM reason")), default=0)

    def pid(self, item: Described) -> int:
        """Return the number of a point as described, a new one where it changed: the newest number counts."""
        found = self._pid.get(_identity(item))
        if found is None or found != self._newest[item.name]:
            found, self._next_pid = self._next_pid, self._next_pid + 1
            self._pid[_identity(item)] = self._newest[item.name] = found
            self._write(found, item)
        elif self.points[found] != item:
            self._write(found, item)
        return found

    def _write(self, pid: int, item: Described) -> None:
        self.points[pid] = item
        row = _row(pid, item)
        self._db.execute("DELETE FROM point WHERE pid = ?", (pid,))
        self._db.execute("INSERT INTO point VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?)", (*row, _crc(row)))

    def recoded(self, reasons: Mapping[int, str]) -> NDArray[np.uint16]:
        """Return the numbers of this file for those of another: ``codes[theirs] = ours``."""
        codes = np.zeros(max(reasons, default=0) + 1, np.uint16)
        for number, text in reasons.items():
            codes[number] = self.code(text)
        return codes

    def code(self, text: str) -> int:
        """Return the number of a reason without the age it names; 0 for none."""
        if not text:
            return 0
        text = _ageless(text)
        found = self._code.get(text)
        if found is None:
            if len(self._code) >= REASONS_MAX and text != OTHER:
                return self.code(OTHER)
            found, self._next_code = self._next_code, self._next_code + 1
            self._code[text] = found
            self.reasons[found] = text
            self._db.execute("INSERT INTO reason VALUES (?, ?, ?)", (found, text, _crc((found, text))))
        return found


def read_points(db: Connection) -> dict[int, Described]:
    """Return the points of a file by number; a damaged row is left out and logged."""
    found: dict[int, Described] = {}
    for *row, crc in db.execute(
        "SELECT pid, name, unit, quantity, states, label, period_s, derived, crc FROM point ORDER BY pid"
    ).fetchall():
        if _crc(tuple(row)) != crc:
            log.error("the description of point number %s is damaged", row[0])
            continue
        pid, name, unit, quantity, states, label, period_s, derived = row
        words = {int(number): word for number, word in json.loads(states).items()}
        found[pid] = Described(name, unit, quantity, words, label, period_s, bool(derived))
    return found


def read_reasons(db: Connection) -> dict[int, str]:
    """Return the reasons of a file by number, 0 being none; a damaged one says so."""
    rows = db.execute("SELECT id, text, crc FROM reason").fetchall()
    return {0: ""} | {code: text if _crc((code, text)) == crc else "reason not readable" for code, text, crc in rows}


def damaged_rows(db: Connection) -> int:
    """Return how many point and reason rows do not agree with their checksums."""
    points = db.execute("SELECT pid, name, unit, quantity, states, label, period_s, derived, crc FROM point").fetchall()
    reasons = db.execute("SELECT id, text, crc FROM reason").fetchall()
    return sum(_crc(tuple(row[:-1])) != row[-1] for row in (*points, *reasons))


@functools.lru_cache(maxsize=2_000)
def _ageless(text: str) -> str:
    return AGE.sub("", text)


def _identity(item: Described) -> tuple[str, ...]:
    return item.name, item.unit, item.quantity, _states(item)


def _states(item: Described) -> str:
    return json.dumps({str(number): word for number, word in sorted(item.states.items())}, ensure_ascii=False)


def _row(pid: int, item: Described) -> tuple[object, ...]:
    return pid, item.name, item.unit, item.quantity, _states(item), item.label, float(item.period_s), int(item.derived)


def _crc(row: tuple[object, ...]) -> int:
    return zlib.crc32("\x1f".join(map(str, row)).encode())
