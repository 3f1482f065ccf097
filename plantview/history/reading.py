"""One reading of an archive's files: months in order, samples and summaries by name, reasons in one numbering."""

from __future__ import annotations

import contextlib
import sqlite3
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from dataclasses import replace
from pathlib import Path
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

from plantview.errors import StartRefused
from plantview.history.central import months_of, reading_session
from plantview.history.chunks import BROKEN, DAY_MS, read_chunks, sums_key, times_key
from plantview.history.codec import unpack_times, verified
from plantview.history.column import Column, bad_at
from plantview.history.live import FILE, by_point, read_live
from plantview.history.month import SAMPLES, SUMS, month_of, month_start, months_in
from plantview.history.postgresql import Place
from plantview.history.reduce import Rows
from plantview.history.samples import Described
from plantview.history.sums import unpack_sums
from plantview.history.tables import (
    DAMAGED,
    TROUBLE,
    Connection,
    read_points,
    read_reasons,
    reading_connection,
    refuse_newer,
)
from plantview.model.quality import Quality

LOCKS: Final = Path("/proc/locks")
DATABASE: Final = "the database"
"""The name under which a reading opens it, and troubles name it."""
MONTH_MS_MAX: Final = 31 * DAY_MS
TABLE_OF: Final = {SAMPLES: "chunk", SUMS: "sums"}


class Reading:
    """What one question needs while its files are open."""

    def __init__(self, folder: Path, place: Place | None = None) -> None:
        """Read from a folder, or what is sealed from the database at a place."""
        self.folder, self.place = folder, place
        self.trouble: list[str] = []
        self.texts: dict[int, str] = {0: ""}
        self._codes = {"": 0}
        self._dbs: dict[str, Connection] = {}
        self._tried: set[str] = set()
        self._points: dict[str, dict[int, Described]] = {}
        self._reasons: dict[str, NDArray[np.uint16]] = {}

    def code(self, text: str) -> int:
        """Return the number of a reason in this reading."""
        if text not in self._codes:
            self._codes[text] = len(self._codes)
            self.texts[self._codes[text]] = text
        return self._codes[text]

    def recode(self, reasons: Mapping[int, str]) -> NDArray[np.uint16]:
        """Return this reading's numbers for those of a file."""
        codes = np.zeros(max(reasons, default=0) + 1, np.uint16)
        for number, text in reasons.items():
            codes[number] = self.code(text)
        return codes

    def months(self, ending: str, from_ms: int, to_ms: int) -> list[str]:
        """Return the months with a file or partition that overlap a stretch, oldest first."""
        first, last = month_of(max(0, from_ms)), month_of(max(0, min(to_ms, FAR_MS)))
        return [month for month in self.all_months(ending) if first <= month <= last]

    def all_months(self, ending: str) -> list[str]:
        """Return the months of which there are samples or summaries, oldest first."""
        found = list[str]()
        if self.place is None:
            return months_in(self.folder, ending)
        with self.open(DATABASE) as db:
            if db is not None:
                found = months_of(db, TABLE_OF[ending])
        return found

    def files(self, ending: str, from_ms: int, to_ms: int) -> list[str]:
        """Return what to open for a stretch: month files, oldest first, or the database."""
        if self.place is not None:
            return [DATABASE]
        return [f"{month}{ending}" for month in self.months(ending, from_ms, to_ms)]

    @contextlib.contextmanager
    def open(self, name: str) -> Iterator[Connection | None]:
        """Open a file to read, once; None where there is none, and what is wrong with it ends the block as trouble."""
        if name not in self._tried:
            self._tried.add(name)
            try:
                self._connect(name)
            except (*TROUBLE, StartRefused) as error:
                self.trouble.append(f"{name} cannot be read: {error}")
        try:
            yield self._dbs.get(name)
        except TROUBLE as error:
            self.trouble.append(f"{name} cannot be read: {error}")

    def _connect(self, name: str) -> None:
        path = self.folder / name
        if name == DATABASE:
            session = reading_session(self.place) if self.place is not None else None
            if session is not None:
                self._dbs[name] = session
        elif path.exists():
            db = reading_connection(path)
            try:
                refuse_newer(db, path)
            except BaseException:
                db.close()
                raise
            self._dbs[name] = db

    def close(self) -> None:
        """Close what was opened: an open reader keeps a write-ahead log from being cut."""
        while self._dbs:
            self._dbs.popitem()[1].close()

    def points(self, name: str, db: Connection) -> dict[int, Described]:
        """Return the points of an open file."""
        if name not in self._points:
            self._points[name] = read_points(db)
        return self._points[name]

    def reasons(self, name: str, db: Connection) -> NDArray[np.uint16]:
        """Return this reading's numbers for the reasons of an open file."""
        if name not in self._reasons:
            self._reasons[name] = self.recode(read_reasons(db))
        return self._reasons[name]

    def samples(
        self, db: Connection, points: Mapping[int, Described], target: Described, from_ms: int, to_ms: int,
        times: dict[int, NDArray[np.int64]], codes: NDArray[np.uint16],
    ) -> list[Column]:  # fmt: skip
        """Return the columns of one name in one open month, in the target's unit; the later written come later."""
        found: list[Column] = []
        for pid, item in points.items():
            if item.name != target.name:
                continue
            damaged: list[int] = []
            first = from_ms - from_ms % DAY_MS
            found += [
                self.in_unit(column.with_reasons(codes).between(from_ms, to_ms), item, target)
                for column in read_chunks(db, pid, first, to_ms, times=times, damaged=damaged)
            ]
            if damaged:
                self.trouble.append(f"{target.name}: {len(damaged)} stretches are damaged on disk")
                found.append(bad_at(damaged, self.code(DAMAGED)).between(from_ms, to_ms))
        return found

    def in_unit(self, column: Column, item: Described, target: Described) -> Column:
        """Return numbers in the unit of another description of the same name; none where that makes no sense."""
        if item.unit == target.unit and item.quantity == target.quantity:
            return column
        line = _line(item, target)
        if line is None:
            size, code = column.at_ms.size, self.code(f"recorded as {item.quantity} in {item.unit}")
            bad = np.full(size, Quality.BAD, np.uint8)
            return Column(column.at_ms, np.full(size, np.nan), bad, np.full(size, code, np.uint16))
        return Column(column.at_ms, column.values * line[0] + line[1], column.quality, column.reason)

    def sums(
        self, db: Connection, points: Mapping[int, Described], target: Described, step: int,
        from_ms: int, to_ms: int, left_out: frozenset[int],
    ) -> list[Rows]:  # fmt: skip
        """Return the summaries of one name in one open month, in the target's unit, without the days left out."""
        found: list[Rows] = []
        for pid, item in points.items():
            if item.name != target.name:
                continue
            stored = db.execute(
                "SELECT day, b FROM sums WHERE pid = ? AND step = ? AND day > ? AND day < ? ORDER BY day",
                (pid, step, from_ms - DAY_MS, to_ms),
            ).fetchall()
            line = (1.0, 0.0) if item.unit == target.unit and item.quantity == target.quantity else _line(item, target)
            if line is None:
                self.trouble.append(f"{target.name}: some summaries are of {item.quantity} in {item.unit}")
                continue
            rows = self._unpacked([(day, b) for day, b in stored if day not in left_out], pid, step, target.name)
            found += rows if line == (1.0, 0.0) else [_scaled(row, *line) for row in rows]
        return found

    def _unpacked(self, stored: Sequence[tuple[int, bytes]], pid: int, step: int, name: str) -> list[Rows]:
        blocks, starts, offsets = [], [], step * np.arange(DAY_MS // step, dtype=np.int64)
        for day, block in stored:
            try:
                blocks.append(verified(sums_key(pid, step, day), block))
            except BROKEN:
                self.trouble.append(f"{name}: the summary of one day is damaged on disk")
                continue
            starts.append(day + offsets)
        try:
            return unpack_sums(blocks, starts) if blocks else []
        except BROKEN as error:
            self.trouble.append(f"{name}: summaries cannot be read: {error}")
            return []


FAR_MS: Final = 253_402_300_799_000
"""The end of the year 9999, the last that has a month name."""


def _line(item: Described, target: Described) -> tuple[float, float] | None:
    """Return factor and offset from one unit to the other; None where the quantities differ."""
    before, after = item.kept_in(), target.kept_in()
    if before is None or after is None or item.quantity != target.quantity:
        return None
    return before.factor / after.factor, (before.offset - after.offset) / after.factor


def _scaled(rows: Rows, factor: float, offset: float) -> Rows:
    numbers: dict[str, Any] = {
        name: getattr(rows, name) * factor + offset for name in ("min", "max", "first", "last", "mean")
    }
    return replace(rows, **numbers, rise=rows.rise * factor)


def live_columns(reading: Reading, targets: Mapping[str, Described]) -> dict[str, list[Column]]:
    """Return what an absent field process left unsealed, by name; without targets of all names."""
    path = reading.folder / FILE
    if not path.exists():
        return {}
    try:
        points, reasons, hots = read_live(path)
    except sqlite3.Error as error:
        reading.trouble.append(f"{FILE} cannot be read: {error}")
        return {}
    codes, found = reading.recode(reasons), dict[str, list[Column]]()
    for pid, column in by_point(hots).items():
        item = points.get(pid)
        if item is not None and item.name in targets:
            found.setdefault(item.name, []).append(
                reading.in_unit(column.with_reasons(codes), item, targets[item.name])
            )
    return found


def described_in(reading: Reading, names: Iterable[str] | None = None, *, sealed: bool = False) -> dict[str, Described]:
    """Return some or all names with their newest description; ``sealed``: of what is sealed only."""
    files = [f"{month}{SUMS}" for month in months_in(reading.folder, SUMS)]
    files += [f"{month}{SAMPLES}" for month in months_in(reading.folder)]
    files.sort(key=lambda file: (file[:7], not file.endswith(SUMS)), reverse=True)
    wanted = None if names is None else set(names)
    found: dict[str, Described] = {}
    files += [DATABASE] if reading.place is not None else []
    for name in files if sealed else [FILE, *files]:
        if wanted is not None and wanted <= found.keys():
            break
        with reading.open(name) as db:
            if db is not None:
                found = {item.name: item for item in reading.points(name, db).values()} | found
    return found


def extent_of(reading: Reading, *, live: bool) -> tuple[int, int] | None:
    """Return the first and last time of all samples; the begin of a day where only its summary is left."""
    edges = [*_sealed_edges(reading)]
    if reading.place is not None:
        with contextlib.closing(Reading(reading.folder)) as local:
            edges += _sealed_edges(local)
            reading.trouble += local.trouble
    if live and (reading.folder / FILE).exists():
        with reading.open(FILE) as db:
            edges += db.execute("SELECT min(from_ms), max(to_ms) FROM hot").fetchall() if db else []
    known = [at for edge in edges for at in edge if at is not None]
    return (min(known), max(known)) if known else None


def _sealed_edges(reading: Reading) -> Iterator[tuple[int | None, int | None]]:
    samples, sums = reading.all_months(SAMPLES), reading.all_months(SUMS)
    if samples:
        yield _ask(reading, samples[0], SAMPLES, _first_sample), None
        yield None, _ask(reading, samples[-1], SAMPLES, _last_sample)
    if sums and (not samples or sums[0] < samples[0]):
        yield _ask(reading, sums[0], SUMS, _first_sum), None
        if not samples:
            yield None, _ask(reading, sums[-1], SUMS, _last_sum)


def _ask(
    reading: Reading, month: str, ending: str, question: Callable[[Connection, int, int], int | None]
) -> int | None:
    answers: list[int | None] = [None]
    begin = month_start(month)
    with reading.open(f"{month}{ending}" if reading.place is None else DATABASE) as db:
        if db is not None:
            answers.append(question(db, begin, begin + MONTH_MS_MAX))
    return answers[-1]


def _first_sum(db: Connection, begin: int, end: int) -> int | None:
    return _one(db, "SELECT min(day) FROM sums WHERE day >= ? AND day < ?", begin, end)


def _last_sum(db: Connection, begin: int, end: int) -> int | None:
    last = _one(db, "SELECT max(day) FROM sums WHERE day >= ? AND day < ?", begin, end)
    return None if last is None else last + DAY_MS - 1


def _last_sample(db: Connection, begin: int, end: int) -> int | None:
    return _one(db, "SELECT max(t1) FROM chunk WHERE t0 >= ? AND t0 < ?", begin, end)


def _first_sample(db: Connection, begin: int, end: int) -> int | None:
    """Return the first time of the chunks that begin first; their begin if the times are damaged."""
    first = _one(db, "SELECT min(t0) FROM chunk WHERE t0 >= ? AND t0 < ?", begin, end)
    if first is None:
        return None
    found = []
    for number, t0, block in db.execute("SELECT id, t0, b FROM times WHERE t0 = ?", (first,)).fetchall():
        with contextlib.suppress(*BROKEN):
            found.append(int(unpack_times(verified(times_key(number, t0), block))[0]))
    return min(found, default=first)


def _one(db: Connection, question: str, begin: int, end: int) -> int | None:
    found: int | None = db.execute(question, (begin, end)).fetchone()[0]
    return found


def is_owned(data: Path) -> bool:
    """Return whether a process holds the data folder's lock, without touching the lock itself."""
    try:
        number = (data / "lock").stat().st_ino
        rows = LOCKS.read_text(encoding="ascii").splitlines()
    except OSError:
        return False
    return any(
        fields[1] == "FLOCK" and fields[5].rpartition(":")[2] == str(number)
        for fields in (row.split() for row in rows)
        if len(fields) > 5 and "->" not in fields
    )
