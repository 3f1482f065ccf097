"""Sealed history behind one connection: chunks of samples, the times they share, summaries of days.

The same for a month's file and for a plant's tables in a database. Samples of a point stand in chunks of an
hour, later of a day; times that several points share are kept once. Chunks may overlap: of two samples at one
time the chunk written later counts, so that sealing twice what was sealed before changes nothing.
"""

from __future__ import annotations

import contextlib
import hashlib
import sqlite3
import struct
import zlib
from collections.abc import Iterable, Iterator, Sequence
from typing import Final, NamedTuple

import numpy as np
from numpy.typing import NDArray

from plantview.history.codec import Damaged, pack_times, protect, unpack_times, verified
from plantview.history.column import Column, merged, pack_column, unpack_column
from plantview.history.reduce import Rows
from plantview.history.sums import pack_sums
from plantview.history.tables import TROUBLE, Connection, Names

HOUR_MS: Final = 3_600_000
DAY_MS: Final = 86_400_000
STEPS_MS: Final = (300_000, HOUR_MS)
"""What days are summed up in."""

_CHUNK_KEY: Final = struct.Struct("<qqqqqq")
_TIMES_KEY: Final = struct.Struct("<qq")
_SUMS_KEY: Final = struct.Struct("<qqq")
BROKEN: Final = (Damaged, ValueError, OverflowError, struct.error, zlib.error)
"""What unpacking a block that is not sound may raise."""


class Put(NamedTuple):
    """Samples of one point and where they belong."""

    pid: int
    t0: int
    span: int
    column: Column


class Sealed:
    """The writing side of sealed history; the connections to samples and summaries may be one."""

    def __init__(self, samples: Connection, sums: Connection) -> None:
        self.samples, self.sums = samples, sums
        self.names = Names(samples)
        self.sum_names = self.names if sums is samples else Names(sums)

    def merge_all(self, pieces: Sequence[Put]) -> None:
        """Merge samples into the chunks at their places, inside a transaction; no place twice."""
        there = self._places(pieces)
        self.put_all([self._with_what_is_there(piece) if piece[:3] in there else piece for piece in pieces])

    def _places(self, pieces: Sequence[Put]) -> set[tuple[int, int, int]]:
        pids, begins = [piece.pid for piece in pieces], [piece.t0 for piece in pieces]
        rows = self.samples.execute(
            "SELECT pid, t0, span FROM chunk WHERE pid >= ? AND pid <= ? AND t0 >= ? AND t0 <= ?",
            (min(pids), max(pids), min(begins), max(begins)),
        ).fetchall()
        return set(map(tuple, rows))

    def _with_what_is_there(self, piece: Put) -> Put:
        pid, t0, span, column = piece
        there = list(read_chunks(self.samples, pid, t0, t0 + 1, span=span))
        return Put(pid, t0, span, merged([*there, column]))

    def put_all(self, pieces: Sequence[Put]) -> None:
        """Write the chunks at their places, inside a transaction."""
        times: dict[int, tuple[int, int, bytes]] = {}
        rows = []
        for pid, t0, span, column in pieces:
            packed = pack_times(column.at_ms)
            number = (
                int.from_bytes(hashlib.blake2b(packed, digest_size=8, salt=_TIMES_KEY.pack(t0, span)).digest()) >> 1
            )
            times[number] = (number, t0, protect(times_key(number, t0), packed))
            place = (pid, t0, span, int(column.at_ms[-1]), int(column.at_ms.size), number)
            rows.append((*place, protect(chunk_key(*place), pack_column(column))))
        self.samples.executemany("INSERT INTO times VALUES (?, ?, ?) ON CONFLICT DO NOTHING", list(times.values()))
        # a chunk that is written again must count as the later one: it gets a new number
        self.samples.executemany("DELETE FROM chunk WHERE pid = ? AND t0 = ? AND span = ?", [row[:3] for row in rows])
        self.samples.executemany(
            "INSERT INTO chunk (pid, t0, span, t1, n, times, b) VALUES (?, ?, ?, ?, ?, ?, ?)", rows
        )
        days = {(t0 - t0 % DAY_MS,) for _, t0, _, _ in pieces}
        self.samples.executemany("INSERT INTO unsummed VALUES (?) ON CONFLICT DO NOTHING", sorted(days))

    def put_sums(self, pid: int, step: int, day: int, rows: Rows) -> None:
        """Write one day's summary, inside a transaction."""
        block = protect(sums_key(pid, step, day), pack_sums(rows))
        self.sums.execute(
            "INSERT INTO sums VALUES (?, ?, ?, ?) ON CONFLICT (pid, step, day) DO UPDATE SET b = excluded.b",
            (pid, step, day, block),
        )

    def pruned(self, name: str, day: int) -> bool:
        """Return whether a day's summary is all that is left of it."""
        return self._any(
            self.sums, "SELECT 1 FROM sums JOIN point USING (pid) WHERE name = ? AND day >= ? AND day < ?", name, day
        ) and not self._any(
            self.samples, "SELECT 1 FROM chunk JOIN point USING (pid) WHERE name = ? AND t0 >= ? AND t0 < ?", name, day
        )

    def _any(self, db: Connection, question: str, name: str, day: int) -> bool:
        return db.execute(f"{question} LIMIT 1", (name, day, day + DAY_MS)).fetchone() is not None

    def unsummed(self) -> list[int]:
        """Return the days whose summaries are missing or out of date."""
        return [row[0] for row in self.samples.execute("SELECT day FROM unsummed ORDER BY day").fetchall()]

    def shorten_logs(self) -> None:
        """Give back what writing took beside; a database does so by itself."""


def chunk_key(pid: int, t0: int, span: int, t1: int, n: int, times: int) -> bytes:
    """Return what a chunk's checksum covers beside its content."""
    return _CHUNK_KEY.pack(pid, t0, span, t1, n, times)


def times_key(number: int, t0: int) -> bytes:
    """Return the same of a block of times."""
    return _TIMES_KEY.pack(number, t0)


def sums_key(pid: int, step: int, day: int) -> bytes:
    """Return the same of a summary."""
    return _SUMS_KEY.pack(pid, step, day)


@contextlib.contextmanager
def transaction(db: Connection) -> Iterator[None]:
    """Commit what is done inside, or nothing of it."""
    db.execute("BEGIN IMMEDIATE" if isinstance(db, sqlite3.Connection) else "BEGIN")
    try:
        yield
    except BaseException:
        with contextlib.suppress(*TROUBLE):
            db.execute("ROLLBACK")
        raise
    db.execute("COMMIT")


def read_chunks(
    db: Connection,
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
            yield unpack_column(verified(chunk_key(*place), block), times_of(db, place[5], place[1], known))
        except BROKEN:
            if damaged is not None:
                damaged.append(place[1])


def times_of(db: Connection, number: int, t0: int, known: dict[int, NDArray[np.int64]]) -> NDArray[np.int64]:
    """Return the times of a chunk that begins at ``t0``, kept in ``known``; Damaged if they are not sound."""
    if number not in known:
        row = db.execute("SELECT b FROM times WHERE id = ? AND t0 = ?", (number, t0)).fetchone()
        if row is None:
            raise Damaged("its times are missing")
        known[number] = unpack_times(verified(times_key(number, t0), row[0]))
    return known[number]


def drop_unused_times(db: Connection, days: Iterable[int]) -> None:
    """Forget times that no chunk of these days needs any more, inside a transaction."""
    for day in days:
        db.execute(
            "DELETE FROM times WHERE t0 >= ? AND t0 < ? AND id NOT IN"
            " (SELECT times FROM chunk WHERE t0 >= ? AND t0 < ?)",
            (day, day + DAY_MS) * 2,
        )
