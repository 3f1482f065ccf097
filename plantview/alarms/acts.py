"""What people do to alarms: acknowledge, shelve, reset, take out of service. Refusals are journalled."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Final

from plantview.alarms import journal
from plantview.alarms.changes import Changes
from plantview.alarms.life import Life
from plantview.alarms.table import STANDING, Event, State, next_state
from plantview.errors import IllegalTransition

PERSON_MIN: Final = 2
PERSON_MAX: Final = 60
"""Initials are short; a signed-in name, or that of a program, need not be."""
COMMENT_MAX: Final = 500


@dataclass(frozen=True, slots=True)
class Refusal:
    """Why an act was refused."""

    code: str
    """``unknown_alarm person text reason duration protected not_active not_possible``."""
    error: str
    """A sentence for the person who tried."""


class Acts:
    """Acts of people on the alarms of one engine; each returns None, or the refusal."""

    def __init__(self, lives: dict[str, Life], changes: Changes) -> None:
        self._lives = lives
        self._changes = changes

    def acknowledge(self, alarm_id: str, person: str, comment: str = "") -> Refusal | None:
        """Note that a person has seen an alarm; ``person`` are initials of 2 to 20 characters."""
        life, refusal = self._open(Event.ACKNOWLEDGE, alarm_id, person, comment)
        if life is None:
            return refusal
        life.kept.acked_by, life.kept.comment = person, comment
        self._changes.apply(life, Event.ACKNOWLEDGE, person=person, note=comment)
        self._changes.commit()
        return None

    def reset(self, alarm_id: str, person: str) -> Refusal | None:
        """Release a latched alarm whose cause is gone and that was acknowledged."""
        return self._plain(Event.RESET, alarm_id, person)

    def shelve(self, alarm_id: str, person: str, reason: str, duration_s: float | None) -> Refusal | None:
        """Set an alarm aside for ``duration_s``, or with None until it returns to normal (one-shot)."""
        life, refusal = self._open(Event.SHELVE, alarm_id, person, reason)
        if life is None:
            return refusal
        refused = _against_shelf(life, reason, duration_s)
        if refused is not None:
            return self._refuse(Event.SHELVE, alarm_id, person, refused)
        clock, kept = self._changes.clock, life.kept
        kept.shelved_by, kept.reason = person, reason
        life.shelf_ends_s = None if duration_s is None else clock.monotonic_s() + duration_s
        kept.shelved_until_ms = 0 if duration_s is None else clock.now_ms() + round(duration_s * 1_000)
        span = "until it returns to normal" if duration_s is None else f"for {duration_s / 60:g} min"
        self._changes.apply(life, Event.SHELVE, person=person, note=f"{reason} ({span})")
        self._changes.commit()
        return None

    def unshelve(self, alarm_id: str, person: str) -> Refusal | None:
        """End a shelf before its time; an alarm that is active annunciates again."""
        life = self._lives.get(alarm_id)
        active = life is not None and life.delay.active
        return self._plain(Event.SHELF_ENDS_ACTIVE if active else Event.SHELF_ENDS_CLEAR, alarm_id, person)

    def out_of_service(self, alarm_id: str, person: str, reason: str) -> Refusal | None:
        """Take an alarm out of service until a person puts it back."""
        life, refusal = self._open(Event.OUT_OF_SERVICE, alarm_id, person, reason)
        if life is None:
            return refusal
        refused = _against_setting_aside(life, reason)
        if refused is not None:
            return self._refuse(Event.OUT_OF_SERVICE, alarm_id, person, refused)
        life.kept.reason = reason
        self._changes.apply(life, Event.OUT_OF_SERVICE, person=person, note=reason)
        self._changes.commit()
        return None

    def comment(self, alarm_id: str, person: str, text: str) -> Refusal | None:
        """Journal what a person has to say about an alarm; one that is on the list shows it until it is over."""
        life = self._lives.get(alarm_id)
        if life is None or not life.rule.annunciated:
            return self.refuse("comment", alarm_id, person, _unknown(alarm_id))
        refusal = against_person(person) or _against_text(text)
        if refusal is None and not text.strip():
            refusal = Refusal("text", "write what there is to say")
        if refusal is not None:
            return self.refuse("comment", alarm_id, person, refusal)
        if life.kept.state in STANDING:
            life.kept.comment = text
            self._changes.keep(life)
        self._changes.say(journal.NOTE, life, life.kept.state, person=person, note=text)
        self._changes.commit()
        return None

    def in_service(self, alarm_id: str, person: str) -> Refusal | None:
        """Put an alarm back into service; its condition and on-delay start afresh."""
        life, refusal = self._open(Event.IN_SERVICE, alarm_id, person, "")
        if life is None:
            return refusal
        life.delay.forget()
        self._changes.apply(life, Event.IN_SERVICE, person=person)
        self._changes.commit()
        return None

    def refuse(self, act: str, about: str, person: str, refusal: Refusal) -> Refusal:
        """Journal a refusal and return it."""
        text = f"{act.lower().replace('_', ' ')} refused: {refusal.error}"
        self._changes.say_plainly(journal.REFUSED, _safe(about), text, _safe(person))
        self._changes.commit()
        return refusal

    def _plain(self, event: Event, alarm_id: str, person: str) -> Refusal | None:
        life, refusal = self._open(event, alarm_id, person, "")
        if life is None:
            return refusal
        self._changes.apply(life, event, person=person)
        self._changes.commit()
        return None

    def _open(self, event: Event, alarm_id: str, person: str, text: str) -> tuple[Life | None, Refusal | None]:
        """Return the alarm if the act may go on, else the refusal."""
        life = self._lives.get(alarm_id)
        refusal = against_person(person) or _against_text(text)
        if life is None or not life.rule.annunciated:
            refusal = _unknown(alarm_id)
        elif refusal is None:
            try:
                next_state(life.kept.state, event)
            except IllegalTransition as error:
                refusal = Refusal("not_possible", str(error))
        if refusal is not None:
            return None, self._refuse(event, alarm_id, person, refusal)
        return life, None

    def _refuse(self, event: Event, alarm_id: str, person: str, refusal: Refusal) -> Refusal:
        return self.refuse(event.value, alarm_id, person, refusal)


def against_person(person: str) -> Refusal | None:
    """Return why this cannot be a person's initials, or None."""
    if len(person.strip()) >= PERSON_MIN and len(person) <= PERSON_MAX and person.isprintable():
        return None
    return Refusal("person", f"give your initials, {PERSON_MIN} to {PERSON_MAX} characters")


def _against_text(text: str) -> Refusal | None:
    if len(text) <= COMMENT_MAX and text.isprintable():
        return None
    return Refusal("text", f"a comment or reason is one line of at most {COMMENT_MAX} characters")


def _against_setting_aside(life: Life, reason: str) -> Refusal | None:
    if life.rule.shelve_max_s == 0:
        return Refusal("protected", "this alarm may not be shelved or taken out of service")
    return None if reason.strip() else Refusal("reason", "give a reason")


def _against_shelf(life: Life, reason: str, duration_s: float | None) -> Refusal | None:
    refused = _against_setting_aside(life, reason)
    if refused is not None:
        return refused
    if duration_s is None:
        active = life.kept.state in {State.UNACK, State.ACKED}
        return None if active else Refusal("not_active", "a one-shot shelf needs an active alarm")
    longest_s = life.rule.shelve_max_s
    if math.isfinite(duration_s) and 0 < duration_s <= longest_s:
        return None
    return Refusal("duration", f"shelve for more than 0 and at most {longest_s / 60:g} min")


def _unknown(alarm_id: str) -> Refusal:
    return Refusal("unknown_alarm", f"there is no alarm '{_safe(alarm_id)}'")


def _safe(text: str) -> str:
    return "".join(character if character.isprintable() else "?" for character in text[:80])
