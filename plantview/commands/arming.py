"""Who may command which equipment right now: one person per machine, for a reason, for a short time, seen by all."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from typing import Any, Final

from plantview.clock import Clock
from plantview.errors import CommandRefused
from plantview.model.person import Act, Person

ARM_S: Final = 900.0
IDLE_S: Final = 300.0
HEARTBEAT_S: Final = 30.0
REASON_MIN: Final = 10
REASON_MAX: Final = 300
ARMS_MAX: Final = 4
"""Machines that one person may have armed at once."""


@dataclass(slots=True)
class Arm:
    """One armed machine; times are monotonic."""

    equipment: str
    person: Person
    reason: str
    ends_s: float
    acted_s: float
    heard_s: float

    def over(self, now_s: float) -> str:
        """Return why it has ended; empty while it lasts."""
        limits = (
            (now_s >= self.ends_s, "its time is over"),
            (now_s - self.acted_s >= IDLE_S, "nothing was done with it for 5 min"),
            (now_s - self.heard_s >= HEARTBEAT_S, "the page that armed it is no longer heard"),
        )
        return next((why for ended, why in limits if ended), "")


class Arms:
    """What is armed; forgotten with the process, on purpose."""

    def __init__(self, clock: Clock) -> None:
        self._clock = clock
        self._arms: dict[str, Arm] = {}

    def arm(self, equipment: str, person: Person, reason: str, seconds: float, *, confirmed: bool) -> Arm:
        """Arm one machine for one person; CommandRefused says why not."""
        now_s = self._clock.monotonic_s()
        if not person.may(Act.COMMAND):
            raise CommandRefused(
                "role", f"{person.name} is {person.role.value}: technicians and leads may arm equipment"
            )
        if not confirmed:
            raise CommandRefused("confirm", "type the password once more to arm equipment")
        if not REASON_MIN <= len(reason.strip()) <= REASON_MAX:
            raise CommandRefused("reason", f"say why, in {REASON_MIN} to {REASON_MAX} characters")
        if not 0 < seconds <= ARM_S:
            raise CommandRefused("time", f"equipment is armed for at most {ARM_S / 60:.0f} min")
        held = self._arms.get(equipment)
        if held is not None and (held.person.name, held.person.session) != (person.name, person.session):
            raise CommandRefused("armed_by", f"{equipment} is armed by {held.person.name}: talk to each other")
        if held is None and sum(one.person.name == person.name for one in self._arms.values()) >= ARMS_MAX:
            raise CommandRefused("too_many", f"{person.name} has {ARMS_MAX} machines armed already")
        made = Arm(equipment, person, reason.strip(), now_s + seconds, now_s, now_s)
        self._arms[equipment] = made
        return made

    def held_by(self, equipment: str, person: Person) -> Arm:
        """Return a person's own arm and count it as used; CommandRefused if it is not theirs."""
        found = self._arms.get(equipment)
        if found is None or found.over(self._clock.monotonic_s()):
            raise CommandRefused("not_armed", f"{equipment} is not armed: arm it first")
        if (found.person.name, found.person.session) != (person.name, person.session):
            raise CommandRefused("armed_by", f"{equipment} is armed by {found.person.name}: talk to each other")
        if found.person.role is not person.role or not person.may(Act.COMMAND):
            raise CommandRefused("role", f"the role of {person.name} has changed: arm {equipment} again")
        found.acted_s = found.heard_s = self._clock.monotonic_s()
        return found

    def heard(self, session: str) -> None:
        """Note that the page of a session is still there."""
        for one in self._arms.values():
            if one.person.session == session:
                one.heard_s = self._clock.monotonic_s()

    def drop(self, equipment: str) -> Arm | None:
        """Disarm one machine; return what was armed."""
        return self._arms.pop(equipment, None)

    def of_session(self, session: str) -> list[str]:
        """Return the machines that a session has armed."""
        return [name for name, one in self._arms.items() if one.person.session == session]

    def get(self, equipment: str) -> Arm | None:
        """Return who armed a machine."""
        return self._arms.get(equipment)

    def ended(self) -> Iterator[tuple[Arm, str]]:
        """Take out what has ended, with the reason."""
        now_s = self._clock.monotonic_s()
        for name, one in list(self._arms.items()):
            why = one.over(now_s)
            if why:
                del self._arms[name]
                yield one, why

    def rows(self) -> list[dict[str, Any]]:
        """Return what everybody sees: machine, person, reason, time left [s]."""
        now_s = self._clock.monotonic_s()
        return [
            {
                "equipment": one.equipment, "person": one.person.name, "reason": one.reason,
                "left_s": max(0, round(one.ends_s - now_s)),
            }
            for one in self._arms.values()
        ]  # fmt: skip
