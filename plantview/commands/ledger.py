"""What must not be forgotten, on disk before it happens: overrides and work notices, one JSON line per change.

A line is valid if its check sum is. The last line of a power cut is dropped; it described nothing that had happened.
"""

from __future__ import annotations

import zlib
from collections.abc import Mapping
from pathlib import Path
from typing import Any, Final

import orjson

from plantview.audit.appending import append_synced, replace_synced
from plantview.commands.override import Override, override_of
from plantview.errors import AuditUnwritable

FILE: Final = "commands.jsonl"
OVERRIDE, NOTICE = "override", "notice"
HOUR_MS: Final = 3_600_000
COMPACT_LINES: Final = 5_000
"""After so many lines the file is written anew with what still counts."""


class Ledger:
    """The written memory of the commands of one plant."""

    def __init__(self, folder: Path) -> None:
        self._path = folder / FILE
        self._lines = 0
        self.trouble = ""
        """Why the last line could not be written, or what could not be read; empty if nothing is wrong."""
        self.damaged = 0
        """Lines that could not be read at the last start; the file that holds them is kept under another name."""
        self.last_id = 0
        """Highest number that was given before the last start."""
        self._gap = False

    def load(self, now_ms: int) -> tuple[dict[int, Override], dict[str, dict[str, Any]]]:
        """Return the overrides that are open or younger than an hour by id, and the work notices by equipment."""
        overrides: dict[int, Override] = {}
        notices: dict[str, dict[str, Any]] = {}
        self.damaged = 0
        for row in self._rows():
            try:
                if row["kind"] == OVERRIDE:
                    found = override_of(row["row"])
                    overrides[found.id] = found
                elif row["row"].get("removed"):
                    notices.pop(row["row"]["equipment"], None)
                else:
                    notices[row["row"]["equipment"]] = row["row"]
            except (KeyError, TypeError, ValueError):
                self.damaged += 1
        kept = {number: one for number, one in overrides.items() if one.open or now_ms - one.ended_ms < HOUR_MS}
        self.last_id = max(overrides, default=0)
        try:
            if self.damaged:
                self._path.replace(self._path.with_name(f"{FILE}.damaged-{now_ms}"))
            self._rewrite(kept, notices)
        except (AuditUnwritable, OSError):
            self._gap = True  # said by ``trouble``; a line behind a torn one must begin on a line of its own
        return kept, notices

    def note(self, override: Override) -> None:
        """Have the present state of an override on disk; AuditUnwritable if it is not there afterwards."""
        self._write(_line(OVERRIDE, override.row()))

    def note_notice(self, row: Mapping[str, Any]) -> None:
        """Have a work notice, or its removal, on disk."""
        self._write(_line(NOTICE, dict(row)))

    def compact(self, overrides: Mapping[int, Override], notices: Mapping[str, dict[str, Any]]) -> None:
        """Write the file anew once it has grown long."""
        if self._lines > COMPACT_LINES:
            self._rewrite(overrides, notices)

    def _rows(self) -> list[dict[str, Any]]:
        if not self._path.exists():
            return []
        rows = []
        octets = self._path.read_bytes()
        for line in filter(None, octets[: octets.rfind(b"\n") + 1].split(b"\n")):
            row = _read(line)
            if row is None:
                self.damaged += 1
            else:
                rows.append(row)
        return rows

    def _write(self, line: bytes) -> None:
        try:
            append_synced(self._path, b"\n" + line if self._gap else line)
        except OSError as error:
            self.trouble = f"the memory of commands cannot be written: {error.strerror or error}"
            raise AuditUnwritable(self.trouble) from error
        self.trouble, self._gap = "", False
        self._lines += 1

    def _rewrite(self, overrides: Mapping[int, Override], notices: Mapping[str, dict[str, Any]]) -> None:
        lines = [_line(OVERRIDE, one.row()) for one in overrides.values()]
        lines += [_line(NOTICE, row) for row in notices.values()]
        try:
            self._path.parent.mkdir(parents=True, exist_ok=True)
            replace_synced(self._path, b"".join(lines))
        except OSError as error:
            self.trouble = f"the memory of commands cannot be written: {error.strerror or error}"
            raise AuditUnwritable(self.trouble) from error
        self._lines = len(lines)


def _line(kind: str, row: Mapping[str, Any]) -> bytes:
    body = orjson.dumps({"kind": kind, "row": row})
    return b"%08x " % zlib.crc32(body) + body + b"\n"


def _read(line: bytes) -> dict[str, Any] | None:
    check, _, body = line.partition(b" ")
    try:
        if int(check, 16) != zlib.crc32(body):
            return None
        row: dict[str, Any] = orjson.loads(body)
    except ValueError:
        return None
    return row
