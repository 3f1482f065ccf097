"""A plant's sealed history in PostgreSQL: the same chunks and summaries as in month files, in native partitions by month.

Each plant has a schema of its own, so one database serves several plants, retention drops a plant's own
partitions, and the right to write one plant can be given without the others.
"""

from __future__ import annotations

from collections.abc import Collection, Iterator, Mapping
from typing import Final

from plantview.history.chunks import DAY_MS, Sealed, transaction
from plantview.history.month import month_of, month_start
from plantview.history.postgresql import DatabaseTrouble, Place, Session
from plantview.history.tables import SCHEMA, Connection

TABLES: Final[tuple[str, ...]] = (
    "CREATE TABLE meta (key text PRIMARY KEY, value text NOT NULL)",
    """CREATE TABLE point (
        pid bigint PRIMARY KEY, name text NOT NULL, unit text NOT NULL, quantity text NOT NULL, states text NOT NULL,
        label text NOT NULL, period_s double precision NOT NULL, derived bigint NOT NULL, crc bigint NOT NULL)""",
    "CREATE TABLE reason (id bigint PRIMARY KEY, text text NOT NULL, crc bigint NOT NULL)",
    "CREATE TABLE unsummed (day bigint PRIMARY KEY)",
    "CREATE SEQUENCE chunk_seq",
    """CREATE TABLE times (
        id bigint NOT NULL, t0 bigint NOT NULL, b bytea NOT NULL, PRIMARY KEY (id, t0))
        PARTITION BY RANGE (t0)""",
    """CREATE TABLE chunk (
        seq bigint NOT NULL DEFAULT nextval('chunk_seq'), pid bigint NOT NULL, t0 bigint NOT NULL, span bigint NOT NULL,
        t1 bigint NOT NULL, n bigint NOT NULL, times bigint NOT NULL, b bytea NOT NULL,
        PRIMARY KEY (pid, t0, span)) PARTITION BY RANGE (t0)""",
    """CREATE TABLE sums (
        pid bigint NOT NULL, step bigint NOT NULL, day bigint NOT NULL, b bytea NOT NULL,
        PRIMARY KEY (pid, step, day)) PARTITION BY RANGE (day)""",
)
PARTED: Final = ("times", "chunk", "sums")
"""Those that hold samples, and that of summaries last."""
PACKED: Final = tuple(f"ALTER TABLE {table} ALTER b SET STORAGE EXTERNAL" for table in PARTED)
"""Blocks are compressed already."""


class Central(Sealed):
    """The writing side of one plant's tables; one process at a time."""

    def __init__(self, place: Place) -> None:
        """Connect, claim the plant and make its tables; DatabaseTrouble says why not."""
        self._session = Session(place, writes=True)
        try:
            if not self._one("SELECT pg_try_advisory_lock(hashtextextended(?, 0))", place.schema):
                raise DatabaseTrouble(f"another process writes the schema {place.schema}; each plant has one writer")
            self._make(place)
            super().__init__(self._session, self._session)
        except BaseException:
            self._session.close()
            raise
        self._months = set(months_of(self._session, "sums")) & set(months_of(self._session, "chunk"))

    def _make(self, place: Place) -> None:
        self._session.execute(f'CREATE SCHEMA IF NOT EXISTS "{place.schema}"')
        if self._one("SELECT to_regclass('meta') IS NOT NULL"):
            refuse_newer(self._session, place)
            return
        with transaction(self._session):
            for statement in (*TABLES, *PACKED):
                self._session.execute(statement)
            self._session.execute("INSERT INTO meta VALUES ('schema', ?)", (str(SCHEMA),))

    def _one(self, question: str, *parameters: object) -> bool:
        return bool(self._session.execute(question, parameters).fetchone()[0])

    def close(self) -> None:
        """End the session, and with it the claim on the plant."""
        self._session.close()

    def hold(self, month: str) -> None:
        """Make the partitions of a month."""
        if month in self._months:
            return
        begin = month_start(month)
        end = month_start(month_of(begin + 31 * DAY_MS))
        for table in PARTED:
            self._session.execute(
                f"CREATE TABLE IF NOT EXISTS {partition(table, month)} PARTITION OF {table}"
                f" FOR VALUES FROM ({begin}) TO ({end})"
            )
        self._months.add(month)

    def drop(self, month: str, *, sums: bool) -> None:
        """Drop the samples of a month, or its summaries."""
        begin = month_start(month)
        for table in PARTED[2:] if sums else PARTED[:2]:
            self._session.execute(f"DROP TABLE IF EXISTS {partition(table, month)}")
        if not sums:
            end = month_start(month_of(begin + 31 * DAY_MS))
            self._session.execute("DELETE FROM unsummed WHERE day >= ? AND day < ?", (begin, end))
        self._months.discard(month)

    def bytes(self) -> int:
        """Return what the plant's tables take on the server."""
        row = self._session.execute(
            "SELECT coalesce(sum(pg_total_relation_size(c.oid)), 0)::bigint FROM pg_class c"
            " WHERE c.relkind = 'r' AND c.relnamespace = current_schema()::regnamespace"
        ).fetchone()
        return int(row[0])


def partition(table: str, month: str) -> str:
    """Return the name of a table's partition of a month."""
    return f"{table}_{month.replace('-', '_')}"


def months_of(db: Connection, table: str) -> list[str]:
    """Return the months that a table has partitions of, oldest first."""
    rows = db.execute(
        "SELECT c.relname FROM pg_inherits i JOIN pg_class c ON c.oid = i.inhrelid"
        " WHERE i.inhparent = to_regclass(?) ORDER BY 1",
        (table,),
    ).fetchall()
    return [str(row[0]).removeprefix(f"{table}_").replace("_", "-") for row in rows]


def refuse_newer(db: Connection, place: Place) -> None:
    """Raise DatabaseTrouble if a newer plantview wrote the tables."""
    row = db.execute("SELECT value FROM meta WHERE key = 'schema'").fetchone()
    if row and str(row[0]).isdigit() and int(row[0]) > SCHEMA:
        raise DatabaseTrouble(
            f"{place} was written by a newer plantview (schema {row[0]}, this one knows {SCHEMA}); install the newer version"
        )


def pruned_days(db: Connection, wanted: Mapping[str, Collection[int]]) -> set[tuple[str, int]]:
    """Return names and days, of those wanted, of which only the summary is left."""
    days = [day for some in wanted.values() for day in some]
    if not days:
        return set()
    rows = db.execute(
        "SELECT DISTINCT p.name, s.day FROM sums s JOIN point p USING (pid)"
        " WHERE s.day >= ? AND s.day <= ? AND p.name = ANY(?) AND NOT EXISTS (SELECT 1 FROM chunk c JOIN point q USING (pid)"
        " WHERE q.name = p.name AND c.t0 >= s.day AND c.t0 < s.day + ?)",
        (min(days), max(days), list(wanted), DAY_MS),
    ).fetchall()
    return set(map(tuple, rows))


def reading_session(place: Place) -> Session | None:
    """Return a session that can only read; None if there is nothing of this plant yet."""
    session = Session(place)
    try:
        if session.execute("SELECT to_regclass('meta') IS NULL").fetchone()[0]:
            session.close()
            return None
        refuse_newer(session, place)
    except BaseException:
        session.close()
        raise
    return session


def days_of(db: Connection) -> Iterator[tuple[int, int]]:
    """Yield the stretch of each day that any month covers, so that a check reads a day at a time."""
    for month in sorted({*months_of(db, "chunk"), *months_of(db, "sums")}):
        begin = month_start(month)
        end = month_start(month_of(begin + 31 * DAY_MS))
        yield from ((day, day + DAY_MS) for day in range(begin, end, DAY_MS))
