"""What start-up day noted within a span: marks and the sequence of events, the checkout sheet, times, captures of trips."""

from __future__ import annotations

import shutil
from pathlib import Path
from typing import Final

from plantview.evidence.database_copy import copied
from plantview.evidence.startup_shape import CAPTURES, FILE, ROWS, capture_ms

_OTHERS: Final = f"DELETE FROM kept WHERE kind NOT IN ({', '.join('?' * len(ROWS))})"  # noqa: S608 - only placeholders
"""What is still being waited for is nobody else's business; the sheet and the times hold for the plant as a whole."""


def copy_startup(data: Path, target: Path, span: tuple[int, int]) -> int:
    """Copy the notes of a span; return how many events, 0 where there are no notes. sqlite3.Error if they are damaged."""
    source = data / FILE
    if not source.exists():
        return 0
    with copied(source, target) as copy:
        copy.execute("DELETE FROM event WHERE at_ms < ? OR at_ms >= ?", span)
        copy.execute(_OTHERS, tuple(ROWS))
        found: int = copy.execute("SELECT COUNT(*) FROM event").fetchone()[0]
    return found


def copy_captures(data: Path, target: Path, span: tuple[int, int], bytes_max: int) -> tuple[int, int]:
    """Copy the captures of a span, the newest first as far as they fit; return how many there are, and how many do not fit."""
    folder = data / CAPTURES
    files = sorted(folder.glob("*.jsonl.gz"), reverse=True) if folder.is_dir() else []
    inside = [path for path in files if (at_ms := capture_ms(path.name)) is not None and span[0] <= at_ms < span[1]]
    copied, left = 0, bytes_max
    for path in inside:
        left -= path.stat().st_size
        if left < 0:
            break
        target.mkdir(exist_ok=True)
        shutil.copyfile(path, target / path.name)
        copied += 1
    return copied, len(inside) - copied
