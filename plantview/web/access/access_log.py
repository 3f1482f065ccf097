"""``DATA/access.log``: who came in, was refused, left; JSON lines, bounded, without secrets."""

from __future__ import annotations

import json
import logging
import logging.handlers
from pathlib import Path
from typing import Final

from plantview.clock import Clock, utc_text

FILE: Final = "access.log"
BYTES_MAX: Final = 2_000_000
FILES_MAX: Final = 5
TEXT_MAX: Final = 200
REFUSALS_PER_MIN: Final = 120
"""More are counted, not written: a flood of refusals must not push out who signed in."""
MINUTE_S: Final = 60.0

log = logging.getLogger("plantview.web.access")


class AccessLog:
    """Writes one line per event; without a folder the events go to the process's own log.

    Only the process that serves the pages turns the file over when it is full; another one just adds its line.
    """

    def __init__(self, folder: Path | None, clock: Clock, *, rotating: bool = True) -> None:
        self._clock = clock
        self._file = _opened(folder / FILE, BYTES_MAX if rotating else 0) if folder is not None else None
        self._minute_s, self._written, self._left_out = 0.0, 0, 0

    def note(self, act: str, **fields: object) -> None:
        """Write an event: ``act`` in two or three words, fields as text."""
        row: dict[str, object] = {"at": utc_text(self._clock.now_ms()), "act": act}
        row |= {name: _bounded(value) for name, value in fields.items() if value not in ("", None)}
        # all but printable ASCII is escaped, DEL by hand: whoever reads the file on a terminal reads text
        line = json.dumps(row, ensure_ascii=True).replace("\x7f", "\\u007f")
        if self._file is None:
            log.info(line)
        else:
            self._file.emit(logging.makeLogRecord({"msg": line}))

    def refused(self, **fields: object) -> None:
        """Write a refusal, if there were not too many within this minute."""
        now = self._clock.monotonic_s()
        if now - self._minute_s >= MINUTE_S:
            self._told_left_out()
            self._minute_s, self._written = now, 0
        if self._written >= REFUSALS_PER_MIN:
            self._left_out += 1
            return
        self._written += 1
        self.note("refused", **fields)

    def close(self) -> None:
        """Say what was left out, and let go of the file."""
        self._told_left_out()
        if self._file is not None:
            self._file.close()

    def _told_left_out(self) -> None:
        if self._left_out:
            self.note("refusals not written", count=self._left_out)
            self._left_out = 0


def _bounded(value: object) -> object:
    return value if isinstance(value, int) else str(value)[:TEXT_MAX]


def _opened(path: Path, longest: int) -> logging.handlers.RotatingFileHandler:
    path.parent.mkdir(parents=True, exist_ok=True)
    path.touch(mode=0o600)
    writer = logging.handlers.RotatingFileHandler(path, maxBytes=longest, backupCount=FILES_MAX, encoding="utf-8")
    path.chmod(0o600)
    writer.setFormatter(logging.Formatter("%(message)s"))
    return writer
