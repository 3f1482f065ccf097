"""The desk: every act of a person, checked, done or refused, and written down; and the pulse that looks after overrides."""

from __future__ import annotations

from collections.abc import Awaitable, Callable, Mapping
from contextlib import nullcontext
from typing import Any, Final

from plantview.commands.arming import ARM_S, Arms
from plantview.commands.committing import Committing
from plantview.commands.effects import watch_effects
from plantview.commands.keeper import Keeper
from plantview.commands.notices import CLEAR, Notices
from plantview.commands.override import Override
from plantview.commands.site import Site
from plantview.commands.staging import Staging
from plantview.commands.verdict import ours_at
from plantview.errors import AuditUnwritable, CommandRefused, DriverError
from plantview.model.person import Act, Person
from plantview.model.point import Point
from plantview.polling.held import Held

NOT_LOCKOUT: Final = "Not lockout: lock and tag at the disconnect before work. Local codes, the machine's manual and licensed practice come first."
CHANGE_SLOTS: Final = frozenset({"commit", "release", "release_all"})
Body = dict[str, Any]
Answer = Callable[[Person, Body], Awaitable[Body]]


class Desk:
    """All commands of one plant."""

    def __init__(self, site: Site) -> None:
        self.site = site
        overrides, notices = site.ledger.load(site.clock.now_ms())
        self.notices = Notices(site.plant, site.clock, notices, site.ledger.note_notice)
        self.keeper = Keeper(site, self.notices, overrides.values(), site.ledger.last_id)
        self.arms = Arms(site.clock)
        self.staging = Staging(site, self.arms, self.notices, self.keeper)
        self.committing = Committing(site, self.staging, self.notices, self.keeper, self._reason)
        self.held = Held(site.plant, site.clock, lambda: nullcontext(site.targets), self._ours, site.locks)
        self.acts: Mapping[str, Answer] = {
            "arm": self._arm, "disarm": self._disarm, "stage": self.staging.stage,
            "approve_look": self._approve_look, "approve": self._approve,
            "commit": self.committing.commit, "release_look": self._release_look, "release": self._release,
            "release_all": self._release_all, "dismiss": self._dismiss, "notice": self._notice,
            "notice_remove": self._notice_remove, "heard": self._heard,
        }  # fmt: skip
        """What a person may do, by name."""
        if site.ledger.damaged:
            site.tell(
                "memory damaged", result=f"{site.ledger.damaged} lines of the memory of commands could not be read"
            )

    # --- acts ---------------------------------------------------------------------------------
    async def act(self, name: str, person: Person, body: Body) -> Body:
        """Do one act for a person; CommandRefused says why not, and the audit has it either way."""
        try:
            answer = self.acts.get(name)
            if answer is None:
                raise CommandRefused("unknown", f"'{name[:40]}' is nothing that can be done")
            done = await answer(person, body)
        except CommandRefused as refusal:
            about = str(body.get("point", body.get("equipment", "")))
            self.site.audit.refused(
                name[:40], person, refusal.rule, str(refusal), point=about, requested=str(body.get("value", ""))
            )
            raise
        except AuditUnwritable as error:
            raise CommandRefused("audit", f"{error}; without it nothing is done") from error
        if name in CHANGE_SLOTS:
            self.held.forget()
        return done

    async def _arm(self, person: Person, body: Body) -> Body:
        equipment, reason = str(body.get("equipment", "")), str(body.get("reason", ""))
        if equipment not in {self.site.point(name).equipment for name in self.site.permits}:
            raise CommandRefused("not_listed", f"nothing of '{equipment[:40]}' is on the list of what may be written")
        blocked = self.keeper.blocked(equipment)
        if blocked:
            raise CommandRefused("recovering", blocked)
        seconds = body.get("seconds", ARM_S)
        if type(seconds) not in {int, float}:
            raise CommandRefused("time", "for how long must be a number of seconds")
        arm = self.arms.arm(equipment, person, reason, seconds, confirmed=body.get("confirmed") is True)
        try:
            self.site.audit.append("arm", person, point=equipment, reason=arm.reason, expiry=f"{seconds:g} s")
        except AuditUnwritable:
            self.arms.drop(equipment)
            raise
        return self.state()

    async def _disarm(self, person: Person, body: Body) -> Body:
        equipment = str(body.get("equipment", ""))
        arm = self.arms.get(equipment)
        if arm is None:
            raise CommandRefused("not_armed", f"{equipment[:40]} is not armed")
        if arm.person.session != person.session and not person.may(Act.COMMAND_LONG):
            raise CommandRefused("armed_by", f"{equipment} is armed by {arm.person.name}; they or a lead disarm it")
        self._drop(equipment, f"disarmed by {person.name}")
        return self.state()

    async def _approve_look(self, person: Person, body: Body) -> Body:
        """Return what the first person saw."""
        staged = self.staging.waiting(body.get("number"), person)
        return {**staged.shown, "person": staged.person.name, "why": self._reason(staged.point.equipment)}

    async def _approve(self, person: Person, body: Body) -> Body:
        staged = self.staging.approve(body.get("number"), person)
        self.site.audit.append("approve", person, point=staged.point.name, requested=staged.value)
        return {**self.state(), "approved_by": staged.approved_by}

    async def _release_look(self, person: Person, body: Body) -> Body:
        """Return what takes over when an override is released."""
        one = self._open(body)
        if not person.may(Act.COMMAND):
            raise CommandRefused("role", f"{person.name} is {person.role.value}: technicians and leads release")
        point = self.site.point(one.point)
        try:
            async with self.site.lock(point):
                look = await self.site.targets.look(point)
        except DriverError as error:
            raise CommandRefused("no_answer", str(error)) from error
        takes_over = one.restore if one.priority is None else look.below(one.priority)
        return {
            "id": one.id, "point": one.point, "now": look.value, "takes_over": takes_over,
            "unit": point.unit.name, "states": {str(number): word for number, word in point.states.items()},
            "sticky": one.priority is None, "work_notice": self.notices.over(one.equipment), "warning": NOT_LOCKOUT,
        }  # fmt: skip

    async def _release(self, person: Person, body: Body) -> Body:
        one = self._open(body)
        self._release_one(person, one)
        await self.keeper.tick()
        return self.state()

    async def _release_all(self, person: Person, _body: Body) -> Body:
        if not person.may(Act.COMMAND):
            raise CommandRefused("role", f"{person.name} is {person.role.value}: technicians and leads release")
        for one in self.keeper.overrides.values():
            if one.ours:
                self._release_one(person, one)
        await self.keeper.tick()
        return self.state()

    def _release_one(self, person: Person, one: Override) -> None:
        if not person.may(Act.COMMAND):
            raise CommandRefused("role", f"{person.name} is {person.role.value}: technicians and leads release")
        if not one.ours:
            raise CommandRefused("not_ours", f"what stands at {one.point} is not ours: it is never released by us")
        self.site.audit.append("release asked", person, point=one.point, priority=one.priority)
        self.keeper.ask_release(one, person.name)

    async def _dismiss(self, person: Person, body: Body) -> Body:
        one = self._open(body)
        if not person.may(Act.COMMAND):
            raise CommandRefused("role", f"{person.name} is {person.role.value}: technicians and leads do this")
        if one.ours:
            raise CommandRefused("not_possible", f"{one.point} is held by us: release it")
        self.site.audit.append("left to another writer", person, point=one.point)
        self.keeper.dismiss(one)
        return self.state()

    async def _notice(self, person: Person, body: Body) -> Body:
        row = self.notices.put(
            str(body.get("equipment", "")), person, str(body.get("text", "")), str(body.get("phone", ""))
        )
        self.site.audit.append("work notice put up", person, point=row["equipment"], reason=row["text"])
        if self.arms.get(row["equipment"]) is not None:
            self._drop(row["equipment"], f"work notice of {person.name}")
        return {**self.state(), "warning": NOT_LOCKOUT}

    async def _notice_remove(self, person: Person, body: Body) -> Body:
        reason = str(body.get("reason", ""))
        row = self.notices.remove(str(body.get("equipment", "")), person, reason)
        self.site.audit.append(
            "work notice removed", person, point=row["equipment"], reason=reason, before=row["person"]
        )
        return {**self.state(), "warning": CLEAR}

    async def _heard(self, person: Person, _body: Body) -> Body:
        self.arms.heard(person.session)
        if person.session in self.keeper.heard_s:
            self.keeper.heard_s[person.session] = self.site.clock.monotonic_s()
        return self.state()

    # --- around them ----------------------------------------------------------------------------
    def session_ended(self, session: str, why: str) -> None:
        """Drop what a session has armed and staged: it ended, or its person has another role now."""
        self.staging.drop_session(session)
        for equipment in self.arms.of_session(session):
            self._drop(equipment, why)

    async def tick(self) -> None:
        """Do everything that is due now."""
        for arm, why in self.arms.ended():
            self.staging.drop_equipment(arm.equipment)
            self.site.tell("disarmed", None, point=arm.equipment, before=arm.person.name, result=why)
        self.staging.standstill.watch()
        await self.keeper.tick()
        watch_effects(self.site, self.keeper)
        try:
            self.site.audit.anchor()
        except AuditUnwritable:
            return  # said by its trouble

    async def stop(self) -> None:
        """End in order: release what is held, or keep it where the plant says so; anchor the audit."""
        keep = self.site.plant.writes.at_stop == "keep"
        ours = [one for one in self.keeper.overrides.values() if one.ours]
        self.site.tell(
            "stop",
            None,
            result=f"{len(ours)} override(s) {'kept: they will not expire while stopped' if keep else 'to be released'}",
        )
        if not keep:
            for one in ours:
                self.keeper.ask_release(one, "orderly stop")
            for _ in range(STOP_TICKS):
                await self.keeper.tick()
                if not any(one.ours for one in self.keeper.overrides.values()):
                    break
        try:
            self.site.audit.anchor(now=True)
        except AuditUnwritable:
            return  # said by its trouble

    def state(self) -> Body:
        """Return what every page of everybody shows."""
        return {
            "enabled": True, "practice": self.site.plant.writes.practice, "warning": NOT_LOCKOUT,
            "arms": self.arms.rows(), "overrides": self.keeper.rows(), "notices": self.notices.rows(),
            "waiting": self.staging.waiting_rows(),
            "trouble": "; ".join(filter(None, (self.site.audit.trouble, self.site.ledger.trouble))),
            "now_ms": self.site.clock.now_ms(),
        }  # fmt: skip

    def numbers(self) -> dict[str, int]:
        """Return how the override of each listed point stands, as keys of ``keeper.MOVES``."""
        return {name: self.keeper.number(name) for name in self.site.permits}

    def _drop(self, equipment: str, why: str) -> None:
        arm = self.arms.drop(equipment)
        self.staging.drop_equipment(equipment)
        if arm is not None:
            self.site.tell("disarmed", None, point=equipment, before=arm.person.name, result=why)

    def _reason(self, equipment: str) -> str:
        arm = self.arms.get(equipment)
        return arm.reason if arm is not None else ""

    def _ours(self, point: Point, priority: int, held: float) -> bool:
        return ours_at(self.keeper.on(point.name), priority, held)

    def _open(self, body: Body) -> Override:
        number = body.get("id")
        one = self.keeper.overrides.get(number) if type(number) is int else None
        if one is None or not one.open:
            raise CommandRefused("unknown", "there is no such override, or it has ended")
        return one


STOP_TICKS: Final = 5
__all__ = ["NOT_LOCKOUT", "Desk"]
