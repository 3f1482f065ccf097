"""Overrides as they are remembered: which there are, what has become of them, and all of it on disk."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from typing import Any, Final

from plantview.commands.override import Override, Result
from plantview.commands.site import Site
from plantview.commands.table import Event, follow
from plantview.errors import AuditUnwritable

CLOCK_STEP_S: Final = 2.0
CLOSED_KEPT_MS: Final = 3_600_000


class Memory:
    """The overrides of one plant."""

    def __init__(self, site: Site, overrides: Iterable[Override], last_id: int) -> None:
        self._site = site
        self.overrides = {one.id: one for one in overrides}
        self._last_id = max([last_id, *self.overrides])
        self._offset_s = self._wall_offset_s()
        self._unsaved: set[int] = set()

    def new_id(self) -> int:
        """Return a number that no override had."""
        self._last_id += 1
        return self._last_id

    def on(self, point: str) -> Override | None:
        """Return the open override of a point."""
        return next((one for one in self.overrides.values() if one.open and one.point == point), None)

    def history(self, point: str) -> list[tuple[int, float]]:
        """Return when a point was commanded within the last hour, and how far it was moved."""
        since_ms = self._site.clock.now_ms() - CLOSED_KEPT_MS
        rows = [
            row
            for one in self.overrides.values()
            if one.point == point
            for row in zip(one.written_ms, one.steps, strict=True)
        ]
        return [row for row in rows if row[0] > since_ms]

    def add(self, one: Override) -> None:
        """Have a new override on disk, and look after it from now on; AuditUnwritable if it is not on disk."""
        self._site.ledger.note(one)
        self.overrides[one.id] = one

    def change(self, one: Override, value: float) -> None:
        """Give our own override another value: on disk before it is sent."""
        before = (one.state, one.value, one.prior, one.result)
        one.state, one.prior, one.value, one.result = follow(one.state, Event.CHANGE), one.value, value, Result.PENDING
        try:
            self._site.ledger.note(one)
        except AuditUnwritable:
            one.state, one.value, one.prior, one.result = before
            raise

    def learn(self, one: Override, event: Event, *, changed: bool = False) -> None:
        """Move on after something that has happened: if the disk fails it has happened all the same."""
        before = one.state
        one.state = follow(before, event)
        if not one.open:
            one.ended_ms = self._site.clock.now_ms()
        if changed or one.state is not before:
            self.save(one)

    def fall_back(self, one: Override, event: Event) -> None:
        """End a command that was not carried out; a change of our own override leaves the value from before."""
        if one.prior is None:
            self.learn(one, event)
            return
        one.value, one.prior = one.prior, None
        self.learn(one, Event.FOUND_PRIOR)

    def save(self, one: Override) -> None:
        try:
            self._site.ledger.note(one)
            self._unsaved.discard(one.id)
        except AuditUnwritable:
            self._unsaved.add(one.id)

    def retry_saving(self) -> None:
        for number in tuple(self._unsaved):
            if number in self.overrides:
                self.save(self.overrides[number])

    def forget_closed(self, notices: Mapping[str, dict[str, Any]]) -> None:
        since_ms = self._site.clock.now_ms() - CLOSED_KEPT_MS
        self.overrides = {number: one for number, one in self.overrides.items() if one.open or one.ended_ms > since_ms}
        try:
            self._site.ledger.compact(self.overrides, notices)
        except AuditUnwritable:
            return  # said by the ledger's trouble; the long file is still whole

    def _wall_offset_s(self) -> float:
        return self._site.clock.now_ms() / 1_000 - self._site.clock.monotonic_s()

    def watch_clock(self) -> None:
        """After a stepped clock an override lasts as long as it was meant to."""
        step_s = self._wall_offset_s() - self._offset_s
        if abs(step_s) < CLOCK_STEP_S:
            return
        self._offset_s += step_s
        self._site.tell("clock step", after=f"{step_s:+.0f} s")
        step_ms = round(step_s * 1_000)
        for one in self.overrides.values():
            one.began_ms, one.until_ms = one.began_ms + step_ms, one.until_ms + step_ms
            one.written_ms = tuple(at_ms + step_ms for at_ms in one.written_ms)
            if one.open:
                self.save(one)
            else:
                one.ended_ms += step_ms
