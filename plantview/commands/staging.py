"""Stage: everything that is to be seen before a hand moves, and a token that is good for exactly this, once, for a minute."""

from __future__ import annotations

import hashlib
import secrets
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field
from typing import Any, Final

import orjson

from plantview.commands import conditions, values
from plantview.commands.arming import Arms
from plantview.commands.conditions import Condition
from plantview.commands.keeper import Keeper
from plantview.commands.notices import Notices
from plantview.commands.site import Site
from plantview.commands.standstill import Standstill
from plantview.commands.table import State
from plantview.commands.targets import check_target, raw_text
from plantview.commands.verdict import ours_at, same
from plantview.drivers.look import Look, holder, slot_rows
from plantview.errors import CommandRefused, DriverError
from plantview.model.permit import LEASE_MAX_S, Permit
from plantview.model.person import Act, Person
from plantview.model.point import BacnetAddress, Point

TOKEN_S: Final = 60.0
HUMAN_S: Final = 1.0
"""Nobody reads a dialog faster than this."""
STAGED_MAX: Final = 64
STAGED_EACH_MAX: Final = 4
STAGES_PER_MIN: Final = 20
"""Stages of one session within a minute: each one asks a device."""
DIES: Final = {
    False: "The value stays until it runs again; what is overdue then is released first of all.",
    True: "The value stays: there is no slot to release. The former one is written back when it runs again.",
}
"""By whether there is no slot."""


@dataclass(slots=True)
class Staged:
    """One staged command."""

    token: str
    person: Person
    permit: Permit
    point: Point
    value: float
    priority: int | None
    seconds: float
    look: Look
    at_s: float
    digest: str
    number: int
    """By which others name it; the token is known to who staged it only."""
    shown: Mapping[str, Any] = field(default_factory=dict)
    """What was to be seen, without the token."""
    approved_by: str = ""
    approved_in: str = ""
    """Session of the second person."""


def digest_of(point: str, value: float, priority: int | None, seconds: float, person: Person) -> str:
    """Return what a token is bound to: content, person and session."""
    content = [point, value, priority, seconds, person.name, person.role.value, person.session]
    return hashlib.sha256(orjson.dumps(content)).hexdigest()


class Staging:
    """Builds staged commands and keeps them until they are committed, or too old."""

    def __init__(self, site: Site, arms: Arms, notices: Notices, keeper: Keeper) -> None:
        self._site, self._arms, self._notices, self._keeper = site, arms, notices, keeper
        self._staged: dict[str, Staged] = {}
        self._number = 0
        self.standstill = Standstill(site)
        self._asked: dict[str, list[float]] = {}

    async def stage(self, person: Person, body: dict[str, Any]) -> dict[str, Any]:
        """Return what is to be seen, with the token; CommandRefused says why it may not be done."""
        permit, point = self.permitted(str(body.get("point", "")))
        priority = self._priority(permit, point, person, body.get("priority"))
        check_target(point, self._site.plant.devices[point.device], None, priority)
        self.may_act(person, point)
        self._not_too_often(person)
        value = values.number_of(body.get("value"), str(body.get("unit", "")), point)
        values.within(permit, point, value)
        check_target(point, self._site.plant.devices[point.device], value, priority)
        seconds = _seconds(permit, person, body.get("seconds"))
        async with self._site.lock(point):
            look = await self.looked(point)
        if look.sticky:
            priority = None
        judged = self.check(permit, point, value, priority, look)
        staged = Staged(
            secrets.token_urlsafe(32), person, permit, point, value, priority, seconds, look,
            self._site.clock.monotonic_s(), digest_of(point.name, value, priority, seconds, person), self._number + 1,
        )  # fmt: skip
        self._keep(staged)
        self._number = staged.number
        self._site.audit.append(
            "stage", person, point=point.name, before=look.value, requested=value, priority=priority,
            expiry=f"{seconds:g} s",
        )  # fmt: skip
        staged.shown = self._shown(staged, judged)
        return {**staged.shown, "token": staged.token}

    def take(self, token: str) -> Staged:
        """Take a staged command out, whatever becomes of it: a token is good once."""
        found = self._staged.pop(token, None)
        if found is None:
            raise CommandRefused("token", "this was committed already, or never staged: stage it again")
        return found

    def waiting(self, number: object, person: Person) -> Staged:
        """Return what waits for a second person, for this one to look at; CommandRefused if it is not for them."""
        found = next((one for one in self._alive() if one.permit.two_people and one.number == number), None)
        if found is None:
            raise CommandRefused("token", "nothing waits for a second person under this number, or its minute is over")
        if not person.may(Act.COMMAND):
            raise CommandRefused("role", f"{person.name} is {person.role.value}: a technician or lead approves")
        if person.name == found.person.name or person.session == found.person.session:
            raise CommandRefused("two_people", "a second person must approve")
        return found

    def approve(self, number: object, person: Person) -> Staged:
        """Let a second person agree."""
        found = self.waiting(number, person)
        found.approved_by, found.approved_in = person.name, person.session
        return found

    def waiting_rows(self) -> list[dict[str, Any]]:
        """Return what waits for a second person, as everybody sees it."""
        now_s = self._site.clock.monotonic_s()
        return [
            {
                "number": one.number, "point": one.point.name, "equipment": one.point.equipment, "value": one.value,
                "person": one.person.name, "approved_by": one.approved_by, "left_s": round(one.at_s + TOKEN_S - now_s),
            }
            for one in self._alive()
            if one.permit.two_people
        ]  # fmt: skip

    def _alive(self) -> list[Staged]:
        now_s = self._site.clock.monotonic_s()
        return [one for one in self._staged.values() if now_s - one.at_s <= TOKEN_S]

    def drop_session(self, session: str) -> None:
        """Forget what a session has staged, and what it has agreed to."""
        self._staged = {token: one for token, one in self._staged.items() if one.person.session != session}
        for one in self._staged.values():
            if one.approved_in == session:
                one.approved_by = one.approved_in = ""

    def drop_equipment(self, equipment: str) -> None:
        """Forget what is staged for one machine."""
        self._staged = {token: one for token, one in self._staged.items() if one.point.equipment != equipment}

    # --- the checks, used again at commit -----------------------------------------------------
    def permitted(self, name: str) -> tuple[Permit, Point]:
        """Return the permit of a point; CommandRefused if it has none."""
        permit = self._site.permits.get(name)
        if permit is None:
            raise CommandRefused("not_listed", f"'{name[:80]}' is not on the list of what may be written")
        return permit, self._site.point(name)

    def may_act(self, person: Person, point: Point) -> None:
        """Refuse whoever may not act on this machine now."""
        if not person.may(Act.COMMAND):
            raise CommandRefused(
                "role", f"{person.name} is {person.role.value}: technicians and leads command equipment"
            )
        notice = self._notices.over(point.equipment)
        if notice is not None:
            raise CommandRefused(
                "work_notice",
                f"{notice['person']} works on {notice['equipment']}: {notice['text']} ({notice['phone']})",
            )
        blocked = self._keeper.blocked(point.equipment)
        if blocked:
            raise CommandRefused("recovering", blocked)
        self._arms.held_by(point.equipment, person)

    async def looked(self, point: Point) -> Look:
        """Read a point afresh."""
        try:
            return await self._site.targets.look(point)
        except DriverError as error:
            raise CommandRefused("no_answer", f"{error}; nothing is written to what cannot be read") from error

    def check(self, permit: Permit, point: Point, value: float, priority: int | None, look: Look) -> list[Condition]:
        """Refuse what readings, limits or conditions forbid; return the conditions as they stand."""
        now = self._trusted(point, look)
        self._place_is_free(point, priority, look)
        values.check(values.Ordered(permit, point, look, now, value, self._recent(point.name)))
        self.standstill.check(permit, point, value)
        texts = conditions.needs(self._site.plant, permit, point, value, now)
        site = self._site
        found = conditions.judge(texts, site.plant, site.signals, site.frame(), site.clock.monotonic_s())
        lacking = [one for one in found if one.holds is not True]
        if lacking:
            how = "does not hold" if lacking[0].holds is False else "is not known to hold"
            raise CommandRefused("condition", f"'{lacking[0].text}' {how}")
        return found

    def _trusted(self, point: Point, look: Look) -> float:
        reading = self._site.frame().reading(point.name)
        if not reading.usable:
            raise CommandRefused("quality", f"{point.name} is {reading.quality.name}: {reading.reason}")
        if look.fault or look.out_of_service or look.value is None:
            why = "out of service" if look.out_of_service else "in fault" if look.fault else "without a value"
            raise CommandRefused("quality", f"{point.name} is {why} at its device")
        return look.value

    def _place_is_free(self, point: Point, priority: int | None, look: Look) -> None:
        own = self._keeper.on(point.name)
        if own is not None and own.state is not State.HELD:
            raise CommandRefused("held", f"an override of {point.name} is {own.state.value}: wait, or look at it first")
        if own is not None and own.priority != priority:
            raise CommandRefused("held", f"{point.name} is held by us at priority {own.priority}: release that first")
        if priority is None:  # there is no slot that anybody could hold
            return
        there = look.slot(priority)
        if there is not None and (own is None or not same(there, own.value)):
            raise CommandRefused(
                "held", f"priority {priority} of {point.name} is held by {holder(look, priority)}: {there:g}"
            )

    def _priority(self, permit: Permit, point: Point, person: Person, wanted: object) -> int | None:
        if not isinstance(point.address, BacnetAddress):
            if wanted is not None:
                raise CommandRefused("priority", f"{point.name} has no priorities")
            return None
        if wanted is None:
            return permit.priority
        if type(wanted) is not int or not 8 <= wanted <= 16:
            raise CommandRefused(
                "priority", f"priority {str(wanted)[:20]!r} is never written: 8 to 16 are for operators"
            )
        if wanted != permit.priority and (not person.may(Act.COMMAND_LONG) or wanted == 16):
            raise CommandRefused(
                "priority", f"{point.name} is written at priority {permit.priority}; a lead may choose 8 to 15"
            )
        return wanted

    def _recent(self, name: str) -> list[tuple[float, float]]:
        now_ms = self._site.clock.now_ms()
        return [((now_ms - at_ms) / 1_000, step) for at_ms, step in self._keeper.history(name)]

    def _not_too_often(self, person: Person) -> None:
        now_s = self._site.clock.monotonic_s()
        self._asked = {
            name: kept for name, times in self._asked.items() if (kept := [at for at in times if now_s - at < 60.0])
        }
        times = self._asked.setdefault(person.session, [])
        if len(times) >= STAGES_PER_MIN:
            raise CommandRefused("too_often", f"more than {STAGES_PER_MIN} commands were staged within a minute")
        times.append(now_s)

    def _keep(self, staged: Staged) -> None:
        now_s = staged.at_s
        alive = {token: one for token, one in self._staged.items() if now_s - one.at_s <= TOKEN_S}
        own = [token for token, one in alive.items() if one.person.session == staged.person.session]
        for token in own[: max(0, len(own) - STAGED_EACH_MAX + 1)]:
            del alive[token]
        if len(alive) >= STAGED_MAX:
            raise CommandRefused("too_many", f"{STAGED_MAX} commands are staged already")
        self._staged = {**alive, staged.token: staged}

    def _shown(self, staged: Staged, judged: Iterable[Condition]) -> dict[str, Any]:
        permit, point, look = staged.permit, staged.point, staged.look
        own = self._keeper.on(point.name)
        reading = self._site.frame().reading(point.name)
        device = self._site.plant.devices[point.device]
        order = values.Ordered(permit, point, look, look.value or 0.0, staged.value, ())
        takes_over = own.restore if own is not None and look.sticky else look.value if look.sticky else None
        return {
            "number": staged.number, "good_for_s": TOKEN_S, "wait_s": HUMAN_S,
            "point": point.name, "equipment": point.equipment, "label": point.label, "unit": point.unit.name,
            "unit_label": point.unit.label, "states": {str(number): word for number, word in point.states.items()},
            "device": device.label, "address": f"{device.protocol} {device.unit} at {device.station}, {point.address}",
            "now": look.value, "quality": reading.quality.name, "reason": reading.reason,
            "age_s": max(0.0, (self._site.clock.now_ms() - reading.at_ms) / 1_000),
            "value": staged.value, "raw": raw_text(point, staged.value), "range": list(order.limits()),
            "step": order.step, "most_step": _finite(permit.most_step), "most_change": _finite(permit.most_change),
            "per_hour": permit.per_hour, "commanded": len(self._recent(point.name)),
            "priority": staged.priority, "sticky": look.sticky, "slots": slot_rows(look, lambda at, held: ours_at(own, at, held)),
            "relinquish_default": look.relinquish_default, "restore": takes_over,
            "seconds": staged.seconds, "expires_ms": self._site.clock.now_ms() + round(staged.seconds * 1_000),
            "conditions": [one.row() for one in judged], "warnings": _warnings(staged),
            "dies": DIES[look.sticky], "typed": permit.critical or look.sticky,
            "two_people": permit.two_people, "hold_to_run": permit.hold_to_run, "effect": permit.effect,
        }  # fmt: skip


def _warnings(staged: Staged) -> list[str]:
    look, found = staged.look, []
    winner = look.winner
    if staged.priority is not None and winner is not None and winner < staged.priority:
        found.append(f"Priority {winner} wins: this command will have no effect while it stands.")
    if look.overridden:
        found.append("The point is in hand at the device: this command will have no effect there.")
    if look.sticky:
        found.append("There is no slot: the value stays until the former one is written back.")
    if staged.seconds > staged.permit.lease_s:
        found.append("It lasts longer than usual.")
    return found


def _finite(number: float) -> float | None:
    return number if number != float("inf") else None


def _seconds(permit: Permit, person: Person, wanted: object) -> float:
    if wanted is None:
        return permit.lease_s
    if type(wanted) not in {int, float} or not 0 < float(str(wanted)) <= LEASE_MAX_S:
        raise CommandRefused("time", f"an override lasts from 1 s to {LEASE_MAX_S / 3_600:g} h, never for ever")
    seconds = float(str(wanted))
    if seconds > permit.lease_s and not person.may(Act.COMMAND_LONG):
        raise CommandRefused("time", f"longer than {permit.lease_s / 3_600:g} h is for a lead")
    return seconds
