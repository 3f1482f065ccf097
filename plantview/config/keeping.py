"""``[plant] history`` and ``[history]``: where history is kept, and within which bounds."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any, Final
from urllib.parse import parse_qs, urlsplit

from plantview.config.problems import Problems
from plantview.config.schema import HistoryTable
from plantview.model.keeping import Keeping

EXAMPLE: Final = (
    'write history = "postgresql://plantview@server/plants", or leave it out to keep history in the data folder'
)
PLACE: Final = ("plant", "history")


def read_keeping(raw: Mapping[str, Any], database: str, problems: Problems) -> Keeping:
    """Return what the description says, the usual bounds where it says nothing."""
    table = problems.parse(HistoryTable, raw.get("history", {}), ("history",)) or HistoryTable()
    if table.keep_summaries_days < table.keep_days:
        problems.add(
            ("history", "keep_summaries_days"),
            f"summaries would be kept {table.keep_summaries_days:g} days, samples {table.keep_days:g}",
            "keep summaries at least as long as the samples they stand for",
        )
    sound = _is_sound(database, problems)
    return Keeping(database if sound else "", table.keep_days, table.keep_summaries_days, table.max_gb)


def _is_sound(database: str, problems: Problems) -> bool:
    """Return whether this names a database and no secret."""
    if not database:
        return True
    try:
        url = urlsplit(database)
        query = parse_qs(url.query)
        _ = url.port
    except ValueError as error:
        problems.add(PLACE, f"is no address of a database: {error}", EXAMPLE)
        return False
    if url.scheme not in {"postgresql", "postgres"} or not url.path.strip("/"):
        problems.add(PLACE, "is no address of a PostgreSQL database", EXAMPLE)
        return False
    if url.password or "password" in query:
        problems.add(
            PLACE,
            "holds a password, and a plant description is read by many",
            "take it out; give it as PLANTVIEW_HISTORY_PASSWORD or PGPASSWORD, or in ~/.pgpass",
        )
        return False
    return True
