"""The alarm journal of a span, copied out of a data folder whose engine may be writing it."""

from __future__ import annotations

from pathlib import Path
from typing import Final

from plantview.evidence.database_copy import copied

FILE: Final = "alarms.db"
_PRUNE: Final = (
    "DELETE FROM journal WHERE at_ms >= :end",
    "DELETE FROM journal WHERE at_ms < :begin AND seq NOT IN"
    " (SELECT MAX(seq) FROM journal WHERE at_ms < :begin GROUP BY alarm)",
    "DELETE FROM alarm",
    "DELETE FROM first_out",
)
"""Of the time before, the last line of each alarm stays: it says where the alarm stood when the span begins."""


def copy_alarms(data: Path, target: Path, span: tuple[int, int]) -> int:
    """Copy the journal of a span; return how many lines, 0 where there is no journal. sqlite3.Error if it is damaged."""
    source = data / FILE
    if not source.exists():
        return 0
    with copied(source, target) as copy:
        for statement in _PRUNE:
            copy.execute(statement, {"begin": span[0], "end": span[1]} if ":" in statement else {})
        found: int = copy.execute("SELECT COUNT(*) FROM journal").fetchone()[0]
    return found
