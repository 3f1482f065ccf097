"""Writes the audit: one line per act, on disk before the act goes on. If it cannot be written, the act does not happen."""

from __future__ import annotations

import os
from pathlib import Path
from typing import Any, Final

import orjson

from plantview import __version__
from plantview.audit.appending import append_synced
from plantview.audit.chain import ANCHOR, FIRST, FOLDER, files, hashed
from plantview.clock import Clock, utc_text
from plantview.errors import AuditUnwritable
from plantview.model.person import Person

FILE_BYTES_MAX: Final = 32 * 1024 * 1024
"""A new file is begun beyond this; none is ever removed."""
TURNED: Final = "goes on in a new file"
TEXT_MAX: Final = 500
ANCHOR_EVERY_S: Final = 3_600.0
REFUSALS_PER_MIN: Final = 60
"""More refusals than this within a minute are counted, not written: a flood must not fill the disk."""
_TAIL_BYTES: Final = 128 * 1024


class AuditBook:
    """The audit of one plant, written by one process."""

    def __init__(self, data: Path, clock: Clock, anchor: Path | None = None) -> None:
        """Go on where the last line ended; AuditUnwritable if that cannot be read.

        ``anchor`` is the folder of the second file; None for one in the data folder.
        """
        self._data, self._clock = data, clock
        self._anchor = data / "audit-anchor" if anchor is None else anchor
        self._seq, self._head = 0, FIRST
        self._anchored_s = clock.monotonic_s() - ANCHOR_EVERY_S
        self._minute_s, self._refusals, self._left_out = clock.monotonic_s(), 0, 0
        self.trouble = ""
        """Why the last line could not be written; empty if it was."""
        try:
            (data / FOLDER).mkdir(parents=True, exist_ok=True)
            self._anchor.mkdir(parents=True, exist_ok=True)
            torn = self._take_up()
        except (OSError, ValueError, KeyError) as error:
            raise AuditUnwritable(f"the audit cannot be gone on with: {error}") from error
        if torn:
            self.append("last line was torn", after=f"{torn} octets that were never complete were cut off")
        if not (self._anchor / ANCHOR).exists():
            if self._seq:
                self.append("anchor begun anew", after="there was none: what stood before this line is not anchored")
            self.anchor(now=True)

    @property
    def seq(self) -> int:
        """Return the number of the last line."""
        return self._seq

    @property
    def head(self) -> str:
        """Return the hash of the last line."""
        return self._head

    def append(self, act: str, person: Person | None = None, **fields: object) -> int:
        """Write one line and return its number; AuditUnwritable if it is not on disk afterwards.

        ``fields`` are point, address, before, requested, after, priority, expiry, reason, result and the like.
        """
        if act != TURNED and self._is_full():
            self.append(TURNED, before=self._path().name)
        record: dict[str, Any] = {
            "seq": self._seq + 1,
            "at": utc_text(self._clock.now_ms()),
            "mono_ms": round(self._clock.monotonic_s() * 1_000),
            "act": act,
            "actor": person.name if person else "plantview",
            "role": person.role.value if person else "",
            "session": person.session if person else "",
            "source": person.source if person else "",
            **{name: _bounded(value) for name, value in fields.items()},
            "version": __version__,
            "prev": self._head,
        }
        record["hash"] = hashed(record)
        line = orjson.dumps(record, option=orjson.OPT_SORT_KEYS | orjson.OPT_APPEND_NEWLINE)
        try:
            append_synced(self._path() if act != TURNED else self._next_path(), line)
        except OSError as error:
            self.trouble = f"the audit cannot be written: {error.strerror or error}"
            raise AuditUnwritable(self.trouble) from error
        self._seq, self._head, self.trouble = record["seq"], record["hash"], ""
        return self._seq

    def refused(self, act: str, person: Person | None, rule: str, why: str, **fields: object) -> None:
        """Write a refusal, if there were not too many within this minute; one that cannot be written stays refused."""
        now_s = self._clock.monotonic_s()
        if now_s - self._minute_s >= 60.0:
            left_out, self._minute_s, self._refusals, self._left_out = self._left_out, now_s, 0, 0
            if left_out:
                self._quietly("more refusals", None, after=f"{left_out} more within a minute")
        self._refusals += 1
        if self._refusals > REFUSALS_PER_MIN:
            self._left_out += 1
            return
        self._quietly(f"{act} refused", person, rule=rule, result=why, **fields)

    def anchor(self, *, now: bool = False) -> None:
        """Take number and hash of the last line down in the second file, once an hour or at once."""
        if not now and self._clock.monotonic_s() - self._anchored_s < ANCHOR_EVERY_S:
            return
        row = {"seq": self._seq, "hash": self._head, "at": utc_text(self._clock.now_ms())}
        try:
            append_synced(self._anchor / ANCHOR, orjson.dumps(row, option=orjson.OPT_APPEND_NEWLINE))
        except OSError as error:
            self.trouble = f"the audit's anchor cannot be written: {error.strerror or error}"
            raise AuditUnwritable(self.trouble) from error
        self._anchored_s = self._clock.monotonic_s()

    def _quietly(self, act: str, person: Person | None, **fields: object) -> None:
        try:
            self.append(act, person, **fields)
        except AuditUnwritable:
            return  # said by ``trouble``; nothing happened that would have to be undone

    def _is_full(self) -> bool:
        try:
            return self._path().stat().st_size >= FILE_BYTES_MAX
        except OSError:
            return False

    def _next_path(self) -> Path:
        return self._data / FOLDER / f"audit-{self._seq + 1:09d}.jsonl"

    def _path(self) -> Path:
        found = files(self._data)
        return found[-1] if found else self._data / FOLDER / f"audit-{1:09d}.jsonl"

    def _take_up(self) -> int:
        """Read where the last file ends; return how many octets of a torn line were cut off."""
        path = self._path()
        if not path.exists():
            return 0
        with path.open("r+b") as file:
            size = file.seek(0, os.SEEK_END)
            file.seek(max(0, size - _TAIL_BYTES))
            tail = file.read()
            whole = tail.rfind(b"\n") + 1
            torn = len(tail) - whole
            if torn:
                file.truncate(size - torn)
                os.fsync(file.fileno())
        last = tail[:whole].splitlines()
        if last:
            record = orjson.loads(last[-1])
            self._seq, self._head = int(record["seq"]), str(record["hash"])
        return torn


def _bounded(value: object) -> object:
    if isinstance(value, str):
        return value[:TEXT_MAX]
    return value if value is None or isinstance(value, bool | int | float) else str(value)[:TEXT_MAX]
