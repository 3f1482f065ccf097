"""Keeps alarms and their journal in ``alarms.db`` of the data folder (SQLite, WAL, synchronous=FULL).

A disk that fails stops no alarm: the engine goes on, ``health`` says what is wrong, and
everything not yet written waits in memory (within bounds) for the next attempt.
"""

from __future__ import annotations

import contextlib
import sqlite3
from collections import deque
from collections.abc import Iterable, Mapping
from dataclasses import astuple, fields
from pathlib import Path
from typing import Any, Final

from plantview.alarms.figures import Line
from plantview.alarms.firstout import Seen
from plantview.alarms.journal import ROUTINE, ROUTINE_BEFORE, Entry, Search
from plantview.alarms.life import Kept, kept_from_json
from plantview.clock import Clock
from plantview.errors import StartRefused

FILE: Final = "alarms.db"
SCHEMA: Final = 1
JOURNAL_ROWS_MAX: Final = 200_000
PRUNE_EVERY: Final = 500
WAITING_MAX: Final = 10_000
"""Journal lines held in memory while the disk fails; the oldest go first and are counted."""
RETRY_S: Final = 30.0
ANSWER_MAX: Final = 1_000
LINES_MAX: Final = 50_000

_TABLES: Final = """
CREATE TABLE IF NOT EXISTS meta (key TEXT PRIMARY KEY, value TEXT NOT NULL);
CREATE TABLE IF NOT EXISTS alarm (id TEXT PRIMARY KEY, kept TEXT NOT NULL);
CREATE TABLE IF NOT EXISTS first_out (
    family TEXT NOT NULL, alarm TEXT NOT NULL, at_ms INTEGER NOT NULL, period_ms INTEGER NOT NULL, stamp_ms INTEGER,
    PRIMARY KEY (family, alarm));
CREATE TABLE IF NOT EXISTS journal (
    seq INTEGER PRIMARY KEY AUTOINCREMENT, at_ms INTEGER NOT NULL, kind TEXT NOT NULL, alarm TEXT NOT NULL,
    equipment TEXT NOT NULL, before TEXT NOT NULL, after TEXT NOT NULL, priority INTEGER NOT NULL,
    person TEXT NOT NULL, text TEXT NOT NULL, annunciated INTEGER NOT NULL);
"""
_NAMES: Final = ("seq", *(item.name for item in fields(Entry)))
_COLUMNS: Final = ", ".join(_NAMES[1:])


class AlarmStore:
    """The written memory of one engine."""

    def __init__(self, folder: Path | None, clock: Clock) -> None:
        """Open or create ``alarms.db`` in ``folder`` (None: memory only).

        StartRefused if a newer plantview wrote it; a disk that fails is health, not an error.
        """
        self._path = None if folder is None else folder / FILE
        self._clock = clock
        self._db: sqlite3.Connection | None = None
        self._health = ""
        self._lost = 0
        self._retry_s = 0.0
        self._waiting: deque[Entry] = deque(maxlen=WAITING_MAX)
        self._alarms: dict[str, Kept | None] = {}
        """Alarms to be written; None for one to be forgotten."""
        self._groups: dict[str, tuple[Seen, ...]] = {}
        self._since_prune = 0
        self._unreadable = 0
        try:
            self._connect()
        except (sqlite3.Error, OSError) as error:
            self._fail(error)

    def close(self) -> None:
        """Write what waits and close."""
        self.flush(force=True)
        self._disconnect()

    def health(self) -> str:
        """Return what is wrong with the written memory; empty if nothing is."""
        lost = f"{self._lost} journal lines are lost" if self._lost else ""
        unreadable = f"{self._unreadable} alarms could not be read back and began as normal" if self._unreadable else ""
        return "; ".join(filter(None, (self._health, lost, unreadable)))

    def load(self) -> tuple[dict[str, Kept], dict[str, tuple[Seen, ...]]]:
        """Return the alarms and first-out groups as last written."""
        alarms: dict[str, Kept] = {}
        groups: dict[str, list[Seen]] = {}
        if self._db is None:
            return alarms, {}
        try:
            for name, text in self._db.execute("SELECT id, kept FROM alarm"):
                try:
                    alarms[name] = kept_from_json(text)
                except ValueError:
                    self._unreadable += 1
            for family, *seen in self._db.execute(
                "SELECT family, alarm, at_ms, period_ms, stamp_ms FROM first_out ORDER BY at_ms, alarm"
            ):
                groups.setdefault(family, []).append(Seen(*seen))
        except (sqlite3.Error, OSError) as error:
            self._fail(error)
        return alarms, {family: tuple(seen) for family, seen in groups.items()}

    def write(
        self, alarms: Mapping[str, Kept | None], groups: Mapping[str, tuple[Seen, ...]], entries: Iterable[Entry]
    ) -> None:
        """Write alarms, groups and journal lines in one transaction."""
        self._alarms.update(alarms)
        self._groups.update(groups)
        for entry in entries:
            self._lost += len(self._waiting) == WAITING_MAX
            self._waiting.append(entry)
        self.flush()

    def flush(self, *, force: bool = False) -> None:
        """Write what waits; after a failure only every 30 s, unless forced."""
        if not (self._alarms or self._groups or self._waiting):
            return
        if self._health and not force and self._clock.monotonic_s() < self._retry_s:
            return
        try:
            db = self._connect() if self._db is None else self._db
            with db:
                self._write_all(db)
        except (sqlite3.Error, OSError) as error:
            self._fail(error)
            return
        self._health = ""
        self._alarms.clear()
        self._groups.clear()
        self._waiting.clear()

    def journal(self, limit: int, before: int | None, search: Search) -> list[dict[str, Any]]:
        """Return at most ``limit`` lines before number ``before``, newest first; unwritten ones have no number."""
        limit = max(1, min(limit, ANSWER_MAX))
        held = () if before is not None else (entry for entry in reversed(self._waiting) if search.wants(entry))
        waiting = [entry.as_dict(0) for entry in held][:limit]
        if self._db is None:
            return waiting
        where, given = _where(search)
        try:
            rows = self._db.execute(
                f"SELECT seq, {_COLUMNS} FROM journal WHERE seq < ?{where} ORDER BY seq DESC LIMIT ?",  # noqa: S608
                (2**62 if before is None else before, *given, limit - len(waiting)),
            ).fetchall()
        except (sqlite3.Error, OSError) as error:
            self._fail(error)
            return waiting
        return waiting + [dict(zip(_NAMES, (*row[:-1], bool(row[-1])), strict=True)) for row in rows]

    def lines(self, from_ms: int, to_ms: int) -> list[Line]:
        """Return what the figures need of a period, oldest first; of very many lines the newest."""
        held = [_line(astuple(entry)) for entry in self._waiting if from_ms <= entry.at_ms < to_ms]
        if self._db is None:
            return held
        try:
            rows = self._db.execute(
                f"SELECT {_COLUMNS} FROM journal WHERE at_ms >= ? AND at_ms < ? ORDER BY seq DESC LIMIT ?",  # noqa: S608
                (from_ms, to_ms, LINES_MAX),
            ).fetchall()
        except (sqlite3.Error, OSError) as error:
            self._fail(error)
            return held
        return [_line(row) for row in reversed(rows)] + held

    def first_ms(self) -> int | None:
        """Return the time of the oldest journal line."""
        row = self._db.execute("SELECT MIN(at_ms) FROM journal").fetchone() if self._db is not None else None
        return None if row is None else row[0]

    def _connect(self) -> sqlite3.Connection:
        target = ":memory:" if self._path is None else str(self._path)
        db = sqlite3.connect(target, timeout=2.0)
        try:
            db.execute("PRAGMA journal_mode=WAL")
            db.execute("PRAGMA synchronous=FULL")
            self._check_schema(db)
            with db:
                db.executescript(_TABLES)
                db.execute("INSERT OR IGNORE INTO meta VALUES ('schema', ?)", (str(SCHEMA),))
        except BaseException:
            db.close()
            raise
        self._db = db
        return db

    def _check_schema(self, db: sqlite3.Connection) -> None:
        if db.execute("SELECT 1 FROM sqlite_master WHERE name = 'meta'").fetchone() is None:
            return
        row = db.execute("SELECT value FROM meta WHERE key = 'schema'").fetchone()
        found = int(row[0]) if row and str(row[0]).isdigit() else SCHEMA
        if found > SCHEMA:
            raise StartRefused(
                f"{self._path} was written by a newer plantview (schema {found}, this one knows {SCHEMA}); "
                "install the newer version or choose another data folder"
            )

    def _write_all(self, db: sqlite3.Connection) -> None:
        for name, kept in self._alarms.items():
            if kept is None:
                db.execute("DELETE FROM alarm WHERE id = ?", (name,))
            else:
                db.execute("INSERT OR REPLACE INTO alarm VALUES (?, ?)", (name, kept.as_json()))
        for family, seen in self._groups.items():
            db.execute("DELETE FROM first_out WHERE family = ?", (family,))
            rows = [(family, s.alarm, s.at_ms, s.period_ms, s.stamp_ms) for s in seen]
            db.executemany("INSERT INTO first_out VALUES (?, ?, ?, ?, ?)", rows)
        lines = [astuple(entry) for entry in self._waiting]
        db.executemany(f"INSERT INTO journal ({_COLUMNS}) VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?, ?)", lines)  # noqa: S608
        self._since_prune += len(lines)
        if self._since_prune >= PRUNE_EVERY:
            self._since_prune = 0
            db.execute("DELETE FROM journal WHERE seq <= (SELECT MAX(seq) FROM journal) - ?", (JOURNAL_ROWS_MAX,))

    def _fail(self, error: Exception) -> None:
        self._health = (
            f"alarms are not written to {self._path}: {error}; they run on in memory and would be lost at a restart"
        )
        self._retry_s = self._clock.monotonic_s() + RETRY_S
        if self._path is not None:
            self._disconnect()

    def _disconnect(self) -> None:
        if self._db is not None:
            with contextlib.suppress(sqlite3.Error):
                self._db.close()
        self._db = None


def _where(search: Search) -> tuple[str, list[object]]:
    """Return the conditions of a search and what fills their question marks, as ``Search.wants`` would judge."""
    parts: list[tuple[str, list[object]]] = []
    if search.text:
        said = "alarm || char(10) || equipment || char(10) || person || char(10) || text"
        parts.append((f"instr(lower({said}), ?) > 0", [search.text.lower()]))
    parts += [
        (f"{name} = ?", [value]) for name, value in (("alarm", search.alarm), ("equipment", search.equipment)) if value
    ]
    if search.from_ms:
        parts.append(("at_ms >= ?", [search.from_ms]))
    if search.to_ms:
        parts.append(("at_ms < ?", [search.to_ms]))
    if search.annunciated:
        parts.append(("annunciated", []))
    if not search.by_design:
        parts.append(("NOT (kind IN (?, ?) AND before IN (?, ?))", [*ROUTINE, *ROUTINE_BEFORE]))
    return "".join(f" AND {text}" for text, _ in parts), [value for _, values in parts for value in values]


def _line(row: tuple[Any, ...]) -> Line:
    cells = dict(zip(_NAMES[1:], row, strict=True))
    called = bool(cells["annunciated"])
    return Line(cells["at_ms"], cells["kind"], cells["alarm"], cells["priority"], cells["person"], called)
