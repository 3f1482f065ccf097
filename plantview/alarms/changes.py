"""Every change of an alarm goes through here: table, journal line, and what has to be written."""

from __future__ import annotations

from typing import Final

from plantview.alarms import journal
from plantview.alarms.firstout import Seen
from plantview.alarms.journal import Entry
from plantview.alarms.life import Kept, Life
from plantview.alarms.store import AlarmStore
from plantview.alarms.table import ANNUNCIATING, Event, State, next_state
from plantview.clock import Clock

KINDS: Final[dict[Event, str]] = {
    Event.RAISE: journal.ANN,
    Event.CLEAR: journal.RTN,
    Event.CLEAR_LATCHED: journal.RTN,
    Event.ACKNOWLEDGE: journal.ACK,
    Event.RE_ALARM: journal.REALARM,
    Event.RESET: journal.RESET,
    Event.SHELVE: journal.SHELVE,
    Event.SHELF_ENDS_ACTIVE: journal.UNSHELVE,
    Event.SHELF_ENDS_CLEAR: journal.UNSHELVE,
    Event.SUPPRESS: journal.SUPPRESS,
    Event.UNSUPPRESS: journal.UNSUPPRESS,
    Event.RESUME_UNACKED: journal.RESUME,
    Event.RESUME_ACKED: journal.RESUME,
    Event.FOUND_ACKED: journal.FOUND,
    Event.FOUND_RETURNED: journal.FOUND,
    Event.OUT_OF_SERVICE: journal.OOS,
    Event.IN_SERVICE: journal.INSERV,
}
"""Journal word of each event."""


class Changes:
    """Collects what one scan or one act changes, until ``commit`` writes it at once."""

    def __init__(self, clock: Clock, store: AlarmStore) -> None:
        self.clock = clock
        self.seq = 0
        """Counts commits after which the list reads differently."""
        self._touched = False
        self._moved: list[str] = []
        self._store = store
        self._alarms: dict[str, Kept | None] = {}
        self._groups: dict[str, tuple[Seen, ...]] = {}
        self._entries: list[Entry] = []

    def apply(self, life: Life, event: Event, *, person: str = "", note: str = "", kind: str = "") -> None:
        """Move an alarm along its table; IllegalTransition if the table refuses.

        ``kind`` is the journal word, where that of the event does not say enough.
        """
        before = life.kept.state
        after = next_state(before, event)
        if after is before:
            return
        life.kept.state = after
        self._moved.append(life.rule.id)
        if event in ANNUNCIATING:
            life.called_s = self.clock.monotonic_s()
            life.kept.acked_by = life.kept.comment = ""
        _tidy(life.kept)
        self.keep(life)
        self.say(kind or KINDS[event], life, before, person=person, note=note, annunciated=event in ANNUNCIATING)

    def keep(self, life: Life) -> None:
        """Have an alarm written at the next commit."""
        life.kept.active = life.delay.active
        self._alarms[life.rule.id] = life.kept

    def say(
        self, kind: str, life: Life, before: str, *, person: str = "", note: str = "", annunciated: bool = False
    ) -> None:
        """Add a journal line about an alarm; its text follows the note, if there is one."""
        rule, text = life.rule, life.kept.text
        said = f"{note}: {text}" if note and text else note or text
        now_ms = self.clock.now_ms()
        self._entries.append(
            Entry(
                now_ms, kind, rule.id, rule.equipment, before, life.kept.state, rule.priority, person, said, annunciated
            )
        )

    def say_plainly(self, kind: str, alarm: str, text: str, person: str = "") -> None:
        """Add a journal line about something that is no alarm of this plant (any more)."""
        self._entries.append(Entry(self.clock.now_ms(), kind, alarm, "", "", "", 0, person, text, annunciated=False))

    def touch(self) -> None:
        """Note that the list reads differently, though nothing has to be written."""
        self._touched = True

    def moved(self) -> list[str]:
        """Return the alarms that were moved since this was last asked."""
        moved, self._moved = self._moved, []
        return moved

    def drop(self, alarm: str) -> None:
        """Have an alarm forgotten at the next commit."""
        self._alarms[alarm] = None

    def group(self, family: str, seen: tuple[Seen, ...]) -> None:
        """Have a first-out group written at the next commit."""
        self._groups[family] = seen

    def commit(self) -> tuple[Entry, ...]:
        """Write everything in one transaction and return the journal lines."""
        entries = tuple(self._entries)
        written = bool(self._alarms or self._groups or entries)
        self.seq += written or self._touched
        self._touched = False
        if written:
            self._store.write(self._alarms, self._groups, entries)
            self._alarms, self._groups, self._entries = {}, {}, []
        else:
            self._store.flush()
        return entries


def _tidy(kept: Kept) -> None:
    """Clear what belongs to a state that was left."""
    if kept.state is not State.SHLVD:
        kept.shelved_by, kept.shelved_until_ms = "", 0
    if kept.state not in {State.SHLVD, State.OOSRV}:
        kept.reason = ""
    if kept.state is not State.DSUPR:
        kept.suppressed_by = ""
    if kept.state is State.NORM:
        kept.acked_by = kept.comment = ""
