"""Which alarms stood at a past moment, worked out from the journal; read beside the engine, which goes on."""

from __future__ import annotations

import contextlib
import sqlite3
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Final

from plantview.alarms import journal
from plantview.alarms.rules import Rule
from plantview.alarms.store import FILE
from plantview.alarms.table import STANDING, UNACKNOWLEDGED, State

CALLS_MAX: Final = 500
LINES_MAX: Final = 20_000
"""Journal lines within one window; a window is minutes to hours long."""
BACK_MAX: Final = 200
"""Lines of one alarm that are looked through for the moment at which it began to stand."""
NO_JOURNAL: Final = "there is no alarm journal of that time"
_ROW: Final = "at_ms, kind, alarm, equipment, before, after, priority, text, annunciated"
_LINE: Final = "at_ms, kind, alarm, equipment, before, after, priority, person, text, annunciated"
_TOLD: Final = f"(after != '' OR kind = '{journal.CLOSED}')"
"""Lines that say where an alarm stands."""
_ACTIVE: Final = frozenset({State.UNACK, State.ACKED})


@dataclass(slots=True)
class _Standing:
    state: str
    since_ms: int
    priority: int
    equipment: str
    text: str


class AlarmsThen:
    """Reads ``alarms.db`` of a data folder, which another process or thread may be writing."""

    def __init__(self, data: Path, rules: Sequence[Rule]) -> None:
        self._path = data / FILE
        self._rules: Mapping[str, Rule] = {rule.id: rule for rule in rules}

    def at(self, moments: Sequence[int]) -> list[dict[str, Any]]:
        """Return the list of active alarms at each of some rising moments.

        Keys: active, counts, unknown (why the list is not known, empty where it is).
        """
        try:
            with self._reading() as db:
                return list(self._walk(db, moments))
        except (sqlite3.Error, OSError) as error:
            return [_unknown(f"the alarm journal cannot be read: {error}") for _ in moments]

    def tripped(self, listed: Mapping[str, Any]) -> frozenset[str]:
        """Return the equipment whose trip stood and had not returned."""
        return frozenset(
            row["equipment"]
            for row in listed["active"]
            if row["active"] and row["class"] == "trip" and row["type"] == "STATE"
        )

    def calls(self, from_ms: int, to_ms: int) -> list[dict[str, Any]]:
        """Return the newest calls to the crew of a period, oldest first."""
        question = (
            "SELECT at_ms, alarm, equipment, priority, text FROM journal"
            " WHERE annunciated AND at_ms >= ? AND at_ms < ? ORDER BY seq DESC LIMIT ?"
        )
        try:
            with self._reading() as db:
                rows = db.execute(question, (from_ms, to_ms, CALLS_MAX)).fetchall() if db else []
        except (sqlite3.Error, OSError):
            return []
        names = ("at_ms", "alarm", "equipment", "priority", "text")
        return [dict(zip(names, row, strict=True)) for row in reversed(rows)]

    def lines(self, limit: int, before: int | None) -> list[dict[str, Any]]:
        """Return lines of the journal as the engine would, newest first; ``before`` pages on."""
        question = f"SELECT seq, {_LINE} FROM journal WHERE seq < ? ORDER BY seq DESC LIMIT ?"  # noqa: S608
        try:
            with self._reading() as db:
                given = (2**62 if before is None else before, limit)
                rows = db.execute(question, given).fetchall() if db else []
        except (sqlite3.Error, OSError):
            return []
        names = ("seq", *_LINE.split(", "))
        return [dict(zip(names, (*row[:-1], bool(row[-1])), strict=True)) for row in rows]

    @contextlib.contextmanager
    def _reading(self) -> Iterator[sqlite3.Connection | None]:
        if not self._path.exists():
            yield None
            return
        db = sqlite3.connect(f"file:{self._path.resolve()}?mode=ro", uri=True, timeout=2.0)
        try:
            db.execute("PRAGMA trusted_schema = OFF")
            yield db
        finally:
            db.close()

    def _walk(self, db: sqlite3.Connection | None, moments: Sequence[int]) -> Iterator[dict[str, Any]]:
        first_ms = db.execute("SELECT MIN(at_ms) FROM journal").fetchone()[0] if db is not None else None
        if db is None or first_ms is None:
            yield from (_unknown(NO_JOURNAL) for _ in moments)
            return
        standing = _base(db, moments[0])
        lines = db.execute(
            f"SELECT {_ROW} FROM journal WHERE at_ms > ? AND at_ms <= ? AND {_TOLD} ORDER BY seq LIMIT ?",  # noqa: S608
            (moments[0], moments[-1], LINES_MAX),
        ).fetchall()
        place = 0
        for at_ms in moments:
            while place < len(lines) and lines[place][0] <= at_ms:
                _follow(standing, lines[place])
                place += 1
            yield _unknown("the alarm journal begins later") if at_ms < first_ms else self._listed(standing)

    def _listed(self, standing: Mapping[str, _Standing]) -> dict[str, Any]:
        rows = [self._row(name, item) for name, item in standing.items()]
        rows.sort(key=lambda row: (row["priority"], -row["since_ms"], row["id"]))
        counts = {str(level): sum(row["priority"] == level for row in rows) for level in (1, 2, 3, 4)}
        counts["unacked"] = sum(not row["acked"] for row in rows)
        return {"active": rows, "counts": counts, "unknown": ""}

    def _row(self, name: str, item: _Standing) -> dict[str, Any]:
        rule = self._rules.get(name)
        return {
            "id": name,
            "equipment": item.equipment,
            "point": rule.point if rule else "",
            "class": rule.class_name if rule else "",
            "type": rule.type if rule else "",
            "priority": item.priority,
            "state": item.state,
            "since_ms": item.since_ms,
            "text": item.text,
            "active": item.state in _ACTIVE,
            "acked": item.state not in UNACKNOWLEDGED,
        }


def _unknown(why: str) -> dict[str, Any]:
    return {"active": [], "counts": {}, "unknown": why}


def _base(db: sqlite3.Connection, at_ms: int) -> dict[str, _Standing]:
    """Return what stood at a moment, each with the moment at which it began to stand."""
    last = db.execute(
        f"SELECT alarm, after FROM journal WHERE seq IN"  # noqa: S608
        f" (SELECT MAX(seq) FROM journal WHERE at_ms <= ? AND {_TOLD} GROUP BY alarm)",
        (at_ms,),
    ).fetchall()
    found: dict[str, _Standing] = {}
    for name, _ in (row for row in last if row[1] in STANDING):
        lines = db.execute(
            f"SELECT {_ROW} FROM journal WHERE alarm = ? AND at_ms <= ? AND {_TOLD} ORDER BY seq DESC LIMIT ?",  # noqa: S608
            (name, at_ms, BACK_MAX),
        ).fetchall()
        for line in reversed(lines):
            _follow(found, line)
    return found


def _follow(standing: dict[str, _Standing], line: Sequence[Any]) -> None:
    at_ms, kind, name, equipment, before, after, priority, text, annunciated = line
    if after not in STANDING:
        standing.pop(name, None)
        return
    known = standing.get(name)
    if known is None or before not in STANDING:
        standing[name] = _Standing(after, at_ms, priority, equipment, text)
        return
    known.state, known.priority = after, priority
    if annunciated and kind in {journal.ANN, journal.REALARM}:
        known.text = text
