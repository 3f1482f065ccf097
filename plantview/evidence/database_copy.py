"""A database of a data folder copied out, whole and as a single file, while its owner may be writing it."""

from __future__ import annotations

import contextlib
import sqlite3
from collections.abc import Iterator
from pathlib import Path


@contextlib.contextmanager
def copied(source: Path, target: Path) -> Iterator[sqlite3.Connection]:
    """Yield a copy, from which what is not wanted can be deleted; afterwards it takes no more room than it needs.

    sqlite3.Error if the database is damaged.
    """
    with (
        contextlib.closing(sqlite3.connect(f"file:{source.resolve()}?mode=ro", uri=True, timeout=5.0)) as db,
        contextlib.closing(sqlite3.connect(target, isolation_level=None)) as copy,
    ):
        db.backup(copy)
        copy.execute("PRAGMA journal_mode=DELETE")
        yield copy
        copy.execute("VACUUM")
