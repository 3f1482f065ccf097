"""A session of a PostgreSQL server, used like the connection of a file; and where it finds its password.

The password never stands in the plant description: libpq looks for it in PGPASSWORD and ``~/.pgpass``,
and ``PLANTVIEW_HISTORY_PASSWORD`` goes before both.
"""

from __future__ import annotations

import contextlib
import hashlib
import os
import re
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, Final

from plantview.errors import StartRefused

if TYPE_CHECKING:
    from types import ModuleType

PASSWORD: Final = "PLANTVIEW_HISTORY_PASSWORD"  # noqa: S105 - the variable that has it
NAME_MAX: Final = 63
"""A longer name of a schema the server would cut, without a word."""
CONNECT_S: Final = 5
ANSWER_S: Final = 60
"""A statement that takes longer is given up: whoever asked has a bound of its own."""
LOCK_S: Final = 10
DEAD_AFTER_S: Final = 20
"""A server that acknowledges nothing for so long is away."""


class DatabaseTrouble(OSError):
    """The database is away, refuses, or does not answer in time."""


@dataclass(frozen=True, slots=True)
class Place:
    """Where a plant's history stands: a server's database, and a schema of its own in it."""

    url: str
    schema: str

    @classmethod
    def of(cls, url: str, plant: str) -> Place:
        """Return the place of a plant by its id; several plants share one database."""
        schema = "plantview_" + re.sub(r"[^a-z0-9]+", "_", plant.lower()).strip("_")
        if len(schema) > NAME_MAX:
            schema = f"{schema[: NAME_MAX - 9]}_{hashlib.blake2b(plant.encode(), digest_size=4).hexdigest()}"
        return cls(url, schema)

    def __str__(self) -> str:
        """Return it for people; a URL in a plant description has no password."""
        return f"{self.url} (schema {self.schema})"


class Session:
    """One connection; every failure is a DatabaseTrouble and ends it."""

    def __init__(self, place: Place, *, writes: bool = False) -> None:
        """Connect; StartRefused if the library is not installed, DatabaseTrouble if the server is away."""
        self._library = library()
        password = os.environ.get(PASSWORD)
        settings = {
            "search_path": place.schema,
            "statement_timeout": f"{ANSWER_S}s",
            "lock_timeout": f"{LOCK_S}s",
            "synchronous_commit": "on",
            "default_transaction_read_only": "off" if writes else "on",
        }
        with self._named():
            self._session = self._library.connect(
                place.url,
                autocommit=True,
                connect_timeout=CONNECT_S,
                application_name="plantview",
                keepalives_idle=DEAD_AFTER_S // 2,
                keepalives_interval=DEAD_AFTER_S // 4,
                keepalives_count=2,
                tcp_user_timeout=DEAD_AFTER_S * 1_000,
                options=" ".join(f"-c {name}={value}" for name, value in settings.items()),
                **({"password": password} if password else {}),
            )

    @contextlib.contextmanager
    def _named(self) -> Iterator[None]:
        try:
            yield
        except self._library.Error as error:
            raise DatabaseTrouble(" ".join(str(error).split()) or type(error).__name__) from error

    def execute(self, sql: str, parameters: Sequence[Any] = (), /) -> Any:  # noqa: ANN401
        """Run one statement written with ``?`` for its parameters."""
        with self._named():
            return self._session.execute(_marked(sql), parameters or None, binary=True)

    def executemany(self, sql: str, parameters: Sequence[Sequence[Any]], /) -> None:
        """Run one statement for many rows, sent without waiting for each answer."""
        with self._named(), self._session.cursor() as cursor:
            cursor.executemany(_marked(sql), parameters)

    def close(self) -> None:
        """End the session; harmless where it ended by itself."""
        with contextlib.suppress(DatabaseTrouble), self._named():
            self._session.close()


def library() -> ModuleType:
    """Return the PostgreSQL library; StartRefused names the extra that brings it."""
    try:
        import psycopg  # noqa: PLC0415 - 26 MB that only a plant with a database needs
    except ImportError as error:
        raise StartRefused(
            f"history in PostgreSQL needs a library that is not installed ({error}): pip install 'plantview[postgresql]'"
        ) from error
    return psycopg


def _marked(sql: str) -> str:
    return sql.replace("?", "%s")
