"""Reads the history of a data folder from outside the field process: pages, exports, recalculation."""

from __future__ import annotations

import contextlib
from collections.abc import Iterator, Mapping, Sequence
from pathlib import Path
from typing import Final

import numpy as np
from numpy.typing import NDArray

from plantview.history.buckets import GAP_PERIODS, Wanted, from_columns, from_rows
from plantview.history.checking import check_database, check_folder
from plantview.history.chunks import DAY_MS, STEPS_MS
from plantview.history.column import Column, column_of, merged, stitched
from plantview.history.month import SAMPLES, SUMS
from plantview.history.postgresql import Place
from plantview.history.reading import DATABASE, Reading, described_in, extent_of, is_owned, live_columns
from plantview.history.samples import Buckets, Described, Report, Samples
from plantview.history.summed import summed
from plantview.model.plant import Plant

FOLDER: Final = "history"
TIMES_KEPT_MAX: Final = 400
"""Unpacked times of day chunks that points share, kept between the points of one question: 140 kB each at 5 s."""


class Archive:
    """The sealed history of one data folder, read-only; every call opens the files it needs and closes them.

    While a field process owns the folder its last two hours are asked from that process
    (and may be given as tails); otherwise what it left unsealed is read too. A damaged stretch
    is one BAD sample with its reason, never an exception; ``trouble`` says what could not be
    read by the last call. For one thread at a time.
    """

    def __init__(self, data: Path, place: Place | None = None, *, owner: bool = False) -> None:
        """Read from a data folder; ``owner``: this process has it open to write.

        With a ``place`` what is sealed is read from that database, together with what the folder has that the
        database has not yet.
        """
        self.data, self.folder, self.place = data, data / FOLDER, place
        self.trouble: list[str] = []
        self._owner = owner

    @classmethod
    def of(cls, plant: Plant, data: Path, *, owner: bool = False) -> Archive:
        """Read the history of a plant from where its description keeps it."""
        return cls(data, place_of(plant), owner=owner)

    def names(self) -> list[str]:
        """Return all names that have samples, sorted."""
        with self._reading() as reading:
            live = live_columns(reading, described_in(reading)) if self._reads_live() else {}
            return sorted({*described_in(reading, sealed=True), *live})

    def described(self, name: str) -> Described | None:
        """Return unit, quantity and states of a name as last written; None for a name that was never written."""
        with self._reading() as reading:
            return described_in(reading, [name]).get(name)

    def extent(self) -> tuple[int, int] | None:
        """Return the times of the first and the last sample (UTC ms); None if there is none.

        Where only summaries are left the first time is the begin of their first day.
        """
        with self._reading() as reading:
            return extent_of(reading, live=self._reads_live())

    def range(self, name: str, from_ms: int, to_ms: int) -> Samples:
        """Return the samples with ``from_ms <= at < to_ms`` in the unit of ``described``; none for an unknown name."""
        return self.ranges([name], from_ms, to_ms)[name]

    def ranges(
        self, names: Sequence[str], from_ms: int, to_ms: int, *, tails: Mapping[str, Samples] | None = None
    ) -> dict[str, Samples]:
        """Return the same for several names, opening each file once."""
        with self._reading() as reading:
            targets = _targets(reading, names)
            newer = self._newer(reading, targets, tails or {}, from_ms, to_ms)
            columns = self._columns(reading, targets, from_ms, to_ms, newer)
        return {name: stitched(columns[name]).samples(reading.texts) for name in names}

    def reduced(
        self,
        name: str,
        from_ms: int,
        to_ms: int,
        width: int,
        *,
        tail: Samples | None = None,
        resolution: str | None = None,
    ) -> Buckets:
        """Return at most ``width`` buckets, and the gaps between them; ValueError for a stretch that is none.

        ``tail`` are samples newer than what is sealed, as the field process has them;
        ``resolution`` demands ``raw``, ``5 min`` or ``1 h`` where the width would choose another.
        """
        tails = {} if tail is None else {name: tail}
        return self.reduced_all([name], from_ms, to_ms, width, tails=tails, resolution=resolution)[name]

    def reduced_all(
        self,
        names: Sequence[str],
        from_ms: int,
        to_ms: int,
        width: int,
        *,
        tails: Mapping[str, Samples] | None = None,
        resolution: str | None = None,
    ) -> dict[str, Buckets]:
        """Return the same for several names, opening each file once."""
        wanted = Wanted.of(from_ms, to_ms, width, resolution)
        with self._reading() as reading:
            targets = _targets(reading, names)
            newer = self._newer(reading, targets, tails or {}, from_ms - from_ms % DAY_MS, to_ms)
            found: dict[str, Buckets] = {}
            if not wanted.step_ms and (resolution is not None or not self._only_sums(reading, from_ms, to_ms)):
                found = self._by_samples(reading, targets, wanted, newer, empty=resolution is not None)
            rest = {name: item for name, item in targets.items() if name not in found}
            found |= self._by_sums(reading, rest, wanted, newer) if rest else {}
        return {name: found[name] for name in names}

    @contextlib.contextmanager
    def _reading(self) -> Iterator[Reading]:
        """Open files for one question; close them and keep what was wrong."""
        reading = Reading(self.folder, self.place)
        try:
            yield reading
        finally:
            reading.close()
            self.trouble = reading.trouble

    def _by_samples(
        self,
        reading: Reading,
        targets: Mapping[str, Described],
        wanted: Wanted,
        newer: Mapping[str, Sequence[Column]],
        *,
        empty: bool,
    ) -> dict[str, Buckets]:
        """Return buckets by name; a name without samples only where ``empty`` says so."""
        found: dict[str, Buckets] = {}
        times: dict[int, NDArray[np.int64]] = {}
        for name, item in targets.items():  # one after the other: a month of samples is large
            columns = self._columns(reading, {name: item}, wanted.from_ms, wanted.to_ms, newer, times)[name]
            if columns or empty:
                found[name] = from_columns(columns, item, wanted)
        return found

    def _by_sums(
        self, reading: Reading, targets: Mapping[str, Described], wanted: Wanted, newer: Mapping[str, Sequence[Column]]
    ) -> dict[str, Buckets]:
        wanted = Wanted(wanted.from_ms, wanted.to_ms, wanted.width, wanted.step_ms or STEPS_MS[0])
        rows = summed(reading, targets, wanted.step_ms, wanted.from_ms, wanted.to_ms, newer)
        found = {}
        for name, item in targets.items():
            limit = GAP_PERIODS * item.period_s * 1_000
            found[name] = from_rows(rows[name], wanted, limit) if name in rows else from_columns([], item, wanted)
        return found

    def _only_sums(self, reading: Reading, from_ms: int, to_ms: int) -> bool:
        """Return whether some of the stretch has no samples any more."""
        return bool(set(reading.months(SUMS, from_ms, to_ms)) - set(reading.months(SAMPLES, from_ms, to_ms)))

    def _columns(
        self,
        reading: Reading,
        targets: Mapping[str, Described],
        from_ms: int,
        to_ms: int,
        newer: Mapping[str, Sequence[Column]],
        times: dict[int, NDArray[np.int64]] | None = None,
    ) -> dict[str, list[Column]]:
        """Return the columns by name, each in order of time; of two samples at one time the later column's counts."""
        found: dict[str, list[Column]] = {name: [] for name in targets}
        known = {} if times is None else times
        for file in reading.files(SAMPLES, from_ms, to_ms):
            with reading.open(file) as db:
                if db is None:
                    continue
                points, codes = reading.points(file, db), reading.reasons(file, db)
                for name, item in targets.items():
                    found[name] += reading.samples(db, points, item, from_ms, to_ms, known, codes)
            if len(known) > TIMES_KEPT_MAX:
                known.clear()
        for name, columns in newer.items():
            found.get(name, []).extend(column.between(from_ms, to_ms) for column in columns)
        return {name: [column for column in columns if column.at_ms.size] for name, columns in found.items()}

    def _newer(
        self,
        reading: Reading,
        targets: Mapping[str, Described],
        tails: Mapping[str, Samples],
        from_ms: int,
        to_ms: int,
    ) -> dict[str, list[Column]]:
        """Return what is not where sealed history is read from: what a database has not yet, an ownerless live file, tails."""
        found = self._unsent(reading, targets, from_ms, to_ms) if self.place is not None else {}
        for name, columns in (live_columns(reading, targets) if self._reads_live() else {}).items():
            found.setdefault(name, []).extend(columns)
        for name, tail in tails.items():
            column, reasons = column_of(tail)
            found.setdefault(name, []).append(column.with_reasons(reading.recode(reasons)))
        return {name: [merged(columns)] for name, columns in found.items()}

    def _unsent(
        self, reading: Reading, targets: Mapping[str, Described], from_ms: int, to_ms: int
    ) -> dict[str, list[Column]]:
        """Return what the folder's month files hold of a stretch, by name, in the numbering of a reading."""
        with contextlib.closing(Reading(self.folder)) as local:
            columns = self._columns(local, targets, from_ms, to_ms, {})
            codes = reading.recode(local.texts)
            reading.trouble += local.trouble
        return {name: [column.with_reasons(codes) for column in found] for name, found in columns.items() if found}

    def _reads_live(self) -> bool:
        return not self._owner and not is_owned(self.data)

    def check(self) -> Report:
        """Read everything and verify every checksum."""
        report = check_folder(self.folder)
        if self.place is None:
            return report
        with self._reading() as reading, reading.open(DATABASE) as db:
            further = check_database(db) if db is not None else Report({}, ())
        counts = {what: number + further.counts.get(what, 0) for what, number in report.counts.items()}
        return Report(counts, (*report.problems, *further.problems, *self.trouble))


def place_of(plant: Plant) -> Place | None:
    """Return the database that a plant description names; None keeps history in the data folder."""
    return Place.of(plant.keeping.database, plant.id) if plant.keeping.database else None


def _targets(reading: Reading, names: Sequence[str]) -> dict[str, Described]:
    known = described_in(reading, names)
    return {name: known.get(name, _unknown(name)) for name in names}


def _unknown(name: str) -> Described:
    return Described(name, "1", "ratio", {}, "", DAY_MS / 1_000, derived=False)
