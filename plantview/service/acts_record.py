"""The audit of the field process: one book for acts on equipment, on alarms, on accounts, and for what the program itself does.

Where nothing may be written to the plant it is kept all the same; then a book that cannot be written stops nothing.
"""

from __future__ import annotations

import asyncio
import difflib
import hashlib
import logging
from collections.abc import Mapping
from pathlib import Path
from typing import Any, Final

from plantview.audit import AuditBook
from plantview.audit.appending import replace_synced
from plantview.clock import Clock
from plantview.errors import AuditUnwritable
from plantview.model.person import Person
from plantview.model.plant import Plant
from plantview.service.access_lines import AccessLines

LOOK_REAL_S: Final = 2.0
CLOCK_STEP_S: Final = 2.0
DESCRIPTION: Final = ("plant.toml", "points.csv", "writes.toml")
LAST: Final = "audit-description"
"""Folder with the description as it was at the last start."""
DIFF_LINES_MAX: Final = 200
log = logging.getLogger("plantview.service")


class ActsRecord:
    """Opens the book once and keeps it; ``trouble`` says why a line could not be written."""

    def __init__(self, plant: Plant, data: Path, clock: Clock) -> None:
        self._plant, self._data, self._clock = plant, data, clock
        self._book: AuditBook | None = None
        self._access = AccessLines(data)
        self.trouble = ""

    def book(self) -> AuditBook:
        """Return the book; AuditUnwritable if it cannot be gone on with."""
        if self._book is None:
            anchor = self._plant.writes.anchor
            self._book = AuditBook(self._data, self._clock, Path(anchor) if anchor else None)
        return self._book

    def tell(self, act: str, person: Person | None = None, **fields: object) -> bool:
        """Write down what has happened; return whether it is on disk."""
        try:
            self.book().append(act, person, **fields)
        except AuditUnwritable as error:
            self.trouble = str(error)
            return False
        self.trouble = ""
        return True

    def refused(self, act: str, person: Person | None, rule: str, why: str, **fields: object) -> None:
        """Write down a refusal, if there were not too many within this minute."""
        try:
            self.book().refused(act[:40], person, rule, why, **fields)
        except AuditUnwritable as error:
            self.trouble = str(error)

    async def run(self) -> None:
        """Tell of the start, take over who came in, and of the stop; until cancelled."""
        self.tell(
            "program start",
            after=self._plant.id,
            reason="writing enabled" if self._plant.writes.active else "read-only",
        )
        self._tell_description()
        offset_s = self._offset_s()
        try:
            while True:
                self._take_over()
                offset_s = self._watch_clock(offset_s)
                await asyncio.sleep(LOOK_REAL_S)
        finally:
            self._take_over()
            self.tell("program stop", after=self._plant.id)
            self._anchor(now=True)

    def _take_over(self) -> None:
        """Chain what the record of access has new: sign-ins, failures, refusals, ended sessions, changed accounts."""
        try:
            for row in self._access.new():
                self._chain(row)
            self._access.keep()
        except OSError as error:
            self.trouble = f"the record of access cannot be taken over: {error.strerror or error}"
        self._anchor()

    def _chain(self, row: Mapping[str, Any]) -> None:
        fields = {
            "source": row.get("source", ""), "session": row.get("session", ""), "role": row.get("role", ""),
            "named": row.get("name", row.get("by", "")), "reason": row.get("why", ""), "address": row.get("path", ""),
            "happened": row.get("at", ""),
        }  # fmt: skip
        act = f"access: {row.get('act', '')}"[:80]
        if row.get("act") == "refused":
            self.refused("access:", None, str(row.get("status", "")), str(row.get("why", "")), **fields)
        else:
            self.tell(act, None, **fields)

    def _tell_description(self) -> None:
        """Tell what has changed in the plant description since the last start."""
        kept = self._data / LAST
        first = not kept.exists()
        for name in DESCRIPTION:
            before, after = _text(kept / name), _text(Path(self._plant.folder) / name)
            if before == after:
                continue
            if not first:
                more, less, shown = _difference(before or "", after or "")
                told = self.tell(
                    "description changed", point=name, before=_digest(before), after=_digest(after),
                    result=f"{more} lines more, {less} lines less", reason=shown,
                )  # fmt: skip
                if not told:
                    return
            try:
                kept.mkdir(exist_ok=True)
                replace_synced(kept / name, (after or "").encode())
            except OSError as error:
                self.trouble = f"the description cannot be kept for comparison: {error.strerror or error}"

    def _watch_clock(self, offset_s: float) -> float:
        step_s = self._offset_s() - offset_s
        if abs(step_s) < CLOCK_STEP_S:
            return offset_s
        if not self._plant.writes.active:  # where something may be written the overrides' own watch tells of it
            self.tell("clock step", after=f"{step_s:+.0f} s")
        return offset_s + step_s

    def _offset_s(self) -> float:
        return self._clock.now_ms() / 1_000 - self._clock.monotonic_s()

    def _anchor(self, *, now: bool = False) -> None:
        try:
            self.book().anchor(now=now)
        except AuditUnwritable as error:
            self.trouble = str(error)


def _text(path: Path) -> str | None:
    try:
        return path.read_text(encoding="utf-8", errors="replace")
    except OSError:
        return None


def _digest(text: str | None) -> str:
    return "" if text is None else hashlib.sha256(text.encode()).hexdigest()


def _difference(before: str, after: str) -> tuple[int, int, str]:
    """Return how many lines came and went, and the first of them."""
    changes = [
        line
        for line in difflib.unified_diff(before.splitlines(), after.splitlines(), lineterm="", n=0)
        if line[:1] in "+-" and not line.startswith(("+++", "---"))
    ]
    more = sum(line.startswith("+") for line in changes)
    return more, len(changes) - more, "\n".join(changes[:DIFF_LINES_MAX])
