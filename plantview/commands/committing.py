"""Commit: the same checks once more on fresh readings, the intent on disk, then exactly one packet."""

from __future__ import annotations

import asyncio
from collections.abc import Callable
from typing import Any

from plantview.commands.keeper import Keeper
from plantview.commands.notices import Notices
from plantview.commands.override import Override
from plantview.commands.site import Site
from plantview.commands.staging import HUMAN_S, TOKEN_S, Staged, Staging, digest_of
from plantview.commands.verdict import same
from plantview.drivers.look import Look
from plantview.errors import AuditUnwritable, CommandRefused, DeviceSilent, DriverError
from plantview.model.person import Person


class Committing:
    """Turns a staged command into an override, or refuses it."""

    def __init__(
        self, site: Site, staging: Staging, notices: Notices, keeper: Keeper, reason: Callable[[str], str]
    ) -> None:
        self._site, self._staging, self._notices, self._keeper = site, staging, notices, keeper
        self._reason = reason
        """Gives the reason for which a machine is armed."""

    async def commit(self, person: Person, body: dict[str, Any]) -> dict[str, Any]:
        """Send one write; return the override. CommandRefused: nothing was sent."""
        staged = self._staging.take(str(body.get("token", "")))
        self._is_theirs(staged, person, body)
        self._is_confirmed(staged, body)
        self._staging.may_act(person, staged.point)
        async with self._site.lock(staged.point):
            look = await self._staging.looked(staged.point)
            self._is_unchanged(staged, look)
            self._staging.may_act(person, staged.point)  # once more: reading took time
            self._staging.check(staged.permit, staged.point, staged.value, staged.priority, look)
            one = self._begin(staged, look)
            await self._send(staged, one)
        return {"id": one.id, "state": one.state.value, "result": one.result.value, "detail": one.detail}

    def _is_theirs(self, staged: Staged, person: Person, body: dict[str, Any]) -> None:
        if (staged.person.name, staged.person.session) != (person.name, person.session):
            raise CommandRefused("session", "this was staged by somebody else, or in another session")
        if staged.person.role is not person.role:
            raise CommandRefused("role", f"the role of {person.name} has changed since this was staged")
        age_s = self._site.clock.monotonic_s() - staged.at_s
        if age_s > TOKEN_S:
            raise CommandRefused(
                "token_old", f"this was staged {age_s:.0f} s ago; {TOKEN_S:.0f} s are allowed: stage it again"
            )
        if age_s < HUMAN_S:
            raise CommandRefused("too_fast", "nobody reads that fast: stage it again and look at it")
        value = body.get("value")
        if type(value) not in {int, float}:
            raise CommandRefused("content", "the order does not say what was staged")
        given = digest_of(str(body.get("point", "")), float(str(value)), body.get("priority"), staged.seconds, person)
        if given != staged.digest:
            raise CommandRefused("content", "the order is not the one that was staged")

    def _is_confirmed(self, staged: Staged, body: dict[str, Any]) -> None:
        typed = str(body.get("typed", "")).strip()
        if (staged.permit.critical or staged.look.sticky) and typed != staged.point.equipment:
            raise CommandRefused("typed", f"type the name {staged.point.equipment} to confirm")
        if staged.permit.two_people and not staged.approved_by:
            raise CommandRefused("two_people", "a second person must approve first")

    def _is_unchanged(self, staged: Staged, look: Look) -> None:
        """Refuse if anything that was shown is no longer so."""
        was, tolerance = staged.look, staged.permit.tolerance
        moved = look.value is None or was.value is None or abs(look.value - was.value) > tolerance
        if moved:
            raise CommandRefused(
                "changed",
                f"{staged.point.name} changed since you looked: {_text(was.value)} then, {_text(look.value)} now",
            )
        status = (was.winner, was.overridden, was.out_of_service, was.fault, was.sticky, was.units)
        if (look.winner, look.overridden, look.out_of_service, look.fault, look.sticky, look.units) != status:
            raise CommandRefused(
                "changed", f"{staged.point.name} changed since you looked: priorities or status are others now"
            )
        if staged.priority is not None and not same(look.slot(staged.priority), was.slot(staged.priority)):
            raise CommandRefused(
                "changed", f"priority {staged.priority} of {staged.point.name} changed since you looked"
            )

    def _begin(self, staged: Staged, look: Look) -> Override:
        """Have the intent on disk: the audit first, then the memory that a restart goes by."""
        own = self._keeper.on(staged.point.name)
        now_ms = self._site.clock.now_ms()
        until_ms = now_ms + round(staged.seconds * 1_000)
        reason = self._reason(staged.point.equipment)
        device = self._site.plant.devices[staged.point.device]
        address = f"{device.protocol} {device.unit} at {device.station}, {staged.point.address}"
        step = abs(staged.value - (look.value or 0.0))
        try:
            self._site.audit.append(
                "commit", staged.person, point=staged.point.name, address=address, before=look.value,
                requested=staged.value, priority=staged.priority, expiry=until_ms, reason=reason,
                approved_by=staged.approved_by,
            )  # fmt: skip
            if own is None:
                own = Override(
                    self._keeper.new_id(), staged.point.name, staged.point.equipment, staged.point.device, address,
                    staged.priority, staged.value, None, look.value if look.sticky else None, staged.person.row(),
                    reason, now_ms, until_ms, staged.seconds, written_ms=(now_ms,), steps=(step,),
                )  # fmt: skip
                self._keeper.add(own)
            else:
                own.written_ms, own.steps = (*own.written_ms[-59:], now_ms), (*own.steps[-59:], step)
                own.person, own.reason = staged.person.row(), reason
                own.until_ms, own.seconds = until_ms, staged.seconds
                self._keeper.change(own, staged.value)
        except AuditUnwritable as error:
            raise CommandRefused("audit", f"{error}; without it nothing is written") from error
        own.ends_s = self._site.clock.monotonic_s() + staged.seconds
        if staged.permit.hold_to_run:
            own.hold_to_run = staged.person.session
            self._keeper.heard_s[staged.person.session] = self._site.clock.monotonic_s()
        if staged.permit.effect:
            own.effect_due_s = self._site.clock.monotonic_s() + staged.permit.effect_within_s
        return own

    async def _send(self, staged: Staged, one: Override) -> None:
        error: DriverError | None = None
        try:
            await self._site.targets.put(staged.point, staged.value, staged.priority, staged.permit.function)
        except DriverError as failed:
            error = failed
        except asyncio.CancelledError:
            self._keeper.sent(one, DeviceSilent(staged.point.device, "cut off while it was under way"))
            raise
        self._keeper.sent(one, error)
        self._site.tell(
            "sent", staged.person, point=one.point, requested=one.value, priority=one.priority,
            result=one.result.value, after=one.detail,
        )  # fmt: skip


def _text(value: float | None) -> str:
    return "no value" if value is None else f"{value:g}"
