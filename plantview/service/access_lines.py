"""What the record of access has new since it was last looked at, also across a start and after the file was turned over."""

from __future__ import annotations

import json
from collections.abc import Iterator
from pathlib import Path
from typing import Any, Final

from plantview.audit.appending import replace_synced

FILE: Final = "access.log"
TURNED: Final = "access.log.1"
POSITION: Final = "audit-access.json"
LINES_MAX: Final = 200
"""Lines at one look; the others come with the next."""
LINE_BYTES_MAX: Final = 16 * 1024


class AccessLines:
    """Reads ``DATA/access.log``, which the process that serves the pages writes."""

    def __init__(self, data: Path) -> None:
        self._data = data
        self._file, self._at = self._kept()
        self._moved = False

    def new(self) -> Iterator[dict[str, Any]]:
        """Yield whole lines that were not yielded yet, oldest first; what is no line of a record is left out."""
        left = LINES_MAX
        for name in (TURNED, FILE):
            path = self._data / name
            if not path.exists():
                continue
            number = path.stat().st_ino
            if name == TURNED and number != self._file:
                continue
            if number != self._file or path.stat().st_size < self._at:
                self._file, self._at, self._moved = number, 0, True
            with path.open("rb") as file:
                file.seek(self._at)
                while left and (line := file.readline(LINE_BYTES_MAX)).endswith(b"\n"):
                    left, self._at, self._moved = left - 1, file.tell(), True
                    row = _row(line)
                    if row is not None:
                        yield row
            if not left:
                return

    def keep(self) -> None:
        """Remember on disk how far it was read."""
        if self._moved:
            replace_synced(self._data / POSITION, json.dumps([self._file, self._at]).encode())
            self._moved = False

    def _kept(self) -> tuple[int, int]:
        try:
            number, at = json.loads((self._data / POSITION).read_bytes())
            return int(number), int(at)
        except (OSError, ValueError, TypeError):
            return 0, 0


def _row(line: bytes) -> dict[str, Any] | None:
    try:
        row = json.loads(line)
    except ValueError:
        return None
    return row if isinstance(row, dict) else None
