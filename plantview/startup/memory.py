"""What start-up keeps on disk: ``startup.db`` of the data folder (SQLite, WAL), bounded in rows.

``note`` and ``keep`` never wait for the disk; ``flush`` writes and belongs in a thread, as does every question. A disk
that fails stops nothing: what was not written waits within bounds, ``health`` says so.
"""

from __future__ import annotations

import sqlite3
import threading
from collections import deque
from collections.abc import Iterable
from dataclasses import astuple, dataclass, fields
from pathlib import Path
from typing import Any, Final

import orjson

from plantview.startup.event import Event

FILE: Final = "startup.db"
EVENTS_MAX: Final = 50_000
WAITING_MAX: Final = 10_000
PRUNE_EVERY: Final = 500
_NAMES: Final = tuple(item.name for item in fields(Event))
_TABLES: Final = """
CREATE TABLE IF NOT EXISTS event (
    seq INTEGER PRIMARY KEY AUTOINCREMENT, at_ms INTEGER NOT NULL, early_ms INTEGER NOT NULL, late_ms INTEGER NOT NULL,
    source TEXT NOT NULL, kind TEXT NOT NULL, equipment TEXT NOT NULL, point TEXT NOT NULL, before TEXT NOT NULL,
    after TEXT NOT NULL, text TEXT NOT NULL, person TEXT NOT NULL, key TEXT NOT NULL);
CREATE UNIQUE INDEX IF NOT EXISTS event_key ON event (key) WHERE key <> '';
CREATE INDEX IF NOT EXISTS event_at ON event (at_ms, seq);
CREATE INDEX IF NOT EXISTS event_of ON event (equipment, at_ms, seq);
CREATE TABLE IF NOT EXISTS kept (kind TEXT NOT NULL, name TEXT NOT NULL, row TEXT NOT NULL, PRIMARY KEY (kind, name));
"""


@dataclass(frozen=True, slots=True)
class Wanted:
    """Which events are wanted; empty wants all."""

    equipment: tuple[str, ...] = ()
    kinds: tuple[str, ...] = ()
    from_ms: int = 0
    to_ms: int = 2**62
    before: tuple[int, int] | None = None
    """Time and number of the last line of the page before."""
    limit: int = 200


class Memory:
    """The written memory of start-up; None as folder keeps it in memory alone, ``read_only`` changes no file."""

    def __init__(self, folder: Path | None, *, read_only: bool = False) -> None:
        self._path = ":memory:" if folder is None else str(folder / FILE)
        self._read_only = read_only
        self._lock = threading.Lock()
        self._db: sqlite3.Connection | None = None
        self._waiting: deque[Event] = deque(maxlen=WAITING_MAX)
        self._rows: dict[tuple[str, str], bytes | None] = {}
        self._since_prune, self._trouble = 0, ""

    def health(self) -> str:
        """Return what is wrong with the written memory; empty if nothing is."""
        return self._trouble

    def note(self, events: Iterable[Event]) -> None:
        """Keep events; on disk with the next ``flush``."""
        self._waiting.extend(events)

    def keep(self, kind: str, name: str, row: dict[str, Any] | None) -> None:
        """Keep one row under a name in place of the one before; None forgets it."""
        self._rows[kind, name] = None if row is None else orjson.dumps(row)

    def flush(self) -> None:
        """Write what waits."""
        with self._lock:
            try:
                self._write()
                self._trouble = ""
            except (sqlite3.Error, OSError) as error:
                self._trouble = f"start-up notes cannot be written: {error}"
                self._drop()

    def close(self) -> None:
        """Write what waits and close."""
        self.flush()
        with self._lock:
            self._drop()

    def events(self, wanted: Wanted) -> list[dict[str, Any]]:
        """Return events, newest first, each with its number ``seq``."""
        self.flush()
        clauses, given = ["at_ms >= ?", "at_ms < ?"], [wanted.from_ms, wanted.to_ms]
        values: list[Any] = list(given)
        for column, among in (("equipment", wanted.equipment), ("kind", wanted.kinds)):
            if among:
                clauses.append(f"{column} IN ({', '.join('?' * len(among))})")
                values += among
        if wanted.before is not None:
            clauses.append("(at_ms, seq) < (?, ?)")
            values += wanted.before
        # column names are ours; every value is a parameter
        question = f"SELECT seq, {', '.join(_NAMES)} FROM event WHERE {' AND '.join(clauses)} ORDER BY at_ms DESC, seq DESC LIMIT ?"  # noqa: S608
        rows = self._read(question, (*values, wanted.limit))
        return [dict(zip(("seq", *_NAMES), row, strict=True)) for row in rows]

    def rows(self, kind: str) -> dict[str, dict[str, Any]]:
        """Return what was kept of one kind, by name."""
        self.flush()
        found = self._read("SELECT name, row FROM kept WHERE kind = ? ORDER BY rowid", (kind,))
        return {name: orjson.loads(row) for name, row in found}

    def _read(self, question: str, values: tuple[Any, ...]) -> list[tuple[Any, ...]]:
        with self._lock:
            try:
                return self._connected().execute(question, values).fetchall()
            except (sqlite3.Error, OSError) as error:
                self._trouble = f"start-up notes cannot be read: {error}"
                self._drop()
                return []

    def _connected(self) -> sqlite3.Connection:
        if self._db is None and self._read_only:
            place = f"file:{Path(self._path).resolve()}?mode=ro"
            self._db = sqlite3.connect(place, uri=True, check_same_thread=False, isolation_level=None)
            self._db.execute("PRAGMA trusted_schema = OFF")
        elif self._db is None:
            self._db = sqlite3.connect(self._path, check_same_thread=False, isolation_level=None)
            self._db.execute("PRAGMA journal_mode=WAL")
            self._db.execute("PRAGMA synchronous=FULL")
            self._db.executescript(_TABLES)
        return self._db

    def _drop(self) -> None:
        if self._db is not None and self._path != ":memory:":
            self._db.close()
            self._db = None

    def _write(self) -> None:
        if self._read_only or (not self._waiting and not self._rows):
            return
        events, rows = list(self._waiting), dict(self._rows)
        database = self._connected()
        database.execute("BEGIN IMMEDIATE")
        try:
            marks = ", ".join("?" * len(_NAMES))
            database.executemany(
                f"INSERT OR IGNORE INTO event ({', '.join(_NAMES)}) VALUES ({marks})",  # noqa: S608 - names are ours
                [astuple(event) for event in events],
            )
            for (kind, name), row in rows.items():
                if row is None:
                    database.execute("DELETE FROM kept WHERE kind = ? AND name = ?", (kind, name))
                else:
                    database.execute("INSERT OR REPLACE INTO kept VALUES (?, ?, ?)", (kind, name, row.decode()))
            self._prune(database, len(events))
            database.execute("COMMIT")
        except BaseException:
            database.execute("ROLLBACK")
            raise
        for _ in events:
            self._waiting.popleft()
        for key, row in rows.items():
            if self._rows.get(key) is row:
                del self._rows[key]

    def _prune(self, database: sqlite3.Connection, added: int) -> None:
        self._since_prune += added
        if self._since_prune < PRUNE_EVERY:
            return
        self._since_prune = 0
        database.execute(
            "DELETE FROM event WHERE seq IN (SELECT seq FROM event ORDER BY at_ms DESC, seq DESC LIMIT -1 OFFSET ?)",
            (EVENTS_MAX,),
        )
