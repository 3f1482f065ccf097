"""Looks after overrides: proves them by reading, releases them when their time is over, never touches another's value."""

from __future__ import annotations

import asyncio
from collections import defaultdict
from collections.abc import Iterable
from typing import Any, Final

from plantview.commands import verdict
from plantview.commands.memory import CLOCK_STEP_S, Memory
from plantview.commands.notices import Notices
from plantview.commands.override import Override, Result
from plantview.commands.site import Site
from plantview.commands.table import Event, State, follow
from plantview.drivers.look import Look
from plantview.errors import AuditUnwritable, DeviceRefused, DeviceUnreachable, DriverError
from plantview.model.point import Point

CHECKS_S: Final = (1.0, 3.0, 10.0)
"""When a write is looked at after it was accepted; the last look decides."""
WATCH_S: Final = 60.0
WATCH_PENDING_S: Final = 10.0
BACK_OFF_S: Final = (2.0, 5.0, 10.0, 20.0, 30.0, 60.0)
RANK: Final = {"chiller": 0, "heat_exchanger": 1, "tower_cell": 1, "fan": 1, "pump": 2, "valve": 3}
"""What is released first: the machine, then what carries water through it."""
RANK_WAIT_S: Final = 60.0
"""A machine that cannot be released holds its pumps up for so long."""
NEVER_S: Final = float("inf")
DAY_MS: Final = 86_400_000
REMINDER_MS: Final = 3_600_000
MOVES: Final = {0: "NONE", 1: "HELD", 2: "NOT RELEASED", 3: "OTHER WRITER", 4: "HELD BACK", 5: "UNKNOWN", 6: "STANDING"}
"""How the override of a point stands, as a signal that alarms watch."""


class Keeper(Memory):
    """All overrides of one plant."""

    def __init__(self, site: Site, notices: Notices, overrides: Iterable[Override], last_id: int) -> None:
        super().__init__(site, overrides, last_id)
        self._notices = notices
        self._due_since_s: dict[int, float] = {}
        self._first_pass = not any(one.open for one in self.overrides.values())
        self.heard_s: dict[str, float] = {}
        """When the page of a session was last heard."""
        for one in self.overrides.values():
            if one.open:
                self._take_up(one)

    def _take_up(self, one: Override) -> None:
        """Go on with an override of an earlier run: nothing is believed until it is read."""
        now_s, now_ms = self._site.clock.monotonic_s(), self._site.clock.now_ms()
        left_s = (one.until_ms - now_ms) / 1_000
        if now_ms < one.began_ms - CLOCK_STEP_S * 1_000:
            left_s = 0.0  # the clock was set back while nobody looked: its time counts as over
        one.ends_s = now_s + min(left_s, one.seconds)
        one.recovered = not one.ours
        one.next_s = now_s
        if one.state is State.RELEASING:
            one.checks_s = [now_s + delay_s for delay_s in (0.0, *CHECKS_S)]
        self.learn(one, Event.RESTARTED)
        self._site.tell(
            "taken up after a start", point=one.point, after=one.value, result=one.state.value,
            expiry=_overdue(-left_s) if left_s <= 0 else f"{left_s:.0f} s left",
        )  # fmt: skip

    # --- what others ask --------------------------------------------------------------------
    def blocked(self, equipment: str) -> str:
        """Return why nothing may be commanded yet after a start; empty if it may."""
        waiting = [one for one in self.overrides.values() if one.ours and not one.recovered]
        if waiting and not self._first_pass:
            return "overrides of before the start are being looked at; a moment"
        here = [one.point for one in waiting if one.equipment == equipment]
        return (
            f"{here[0]} has an override of before the start that must be read, and released if it is overdue"
            if here
            else ""
        )

    def due(self, one: Override) -> bool:
        """Return whether an override is to be released."""
        now_s = self._site.clock.monotonic_s()
        unheard = one.hold_to_run and now_s - self.heard_s.get(one.hold_to_run, -NEVER_S) >= 30.0
        return bool(one.ours and (now_s >= one.ends_s or one.release_asked or unheard))

    def sent(self, one: Override, error: DriverError | None) -> None:
        """Note how a write ended at the device."""
        now_s = self._site.clock.monotonic_s()
        one.checks_s = [now_s + delay_s for delay_s in CHECKS_S]
        one.next_s = one.checks_s[0]
        if error is None:
            self.learn(one, Event.ACCEPTED)
        elif isinstance(error, DeviceRefused):
            one.result, one.detail = Result.REFUSED_BY_DEVICE, error.detail
            self.fall_back(one, Event.REFUSED)
        elif isinstance(error, DeviceUnreachable):
            one.result, one.detail = Result.NOT_WRITTEN, error.detail
            self.fall_back(one, Event.NOT_SENT)
        else:
            one.result, one.detail = Result.UNKNOWN, error.detail
            self.learn(one, Event.UNANSWERED)

    def ask_release(self, one: Override, who: str) -> None:
        """Want an override released before its time."""
        one.release_asked = who
        one.next_s = self._site.clock.monotonic_s()
        self.save(one)

    def dismiss(self, one: Override) -> None:
        """Leave another writer's value alone for good."""
        self.learn(one, Event.DISMISS)

    # --- looking after ----------------------------------------------------------------------
    async def tick(self) -> None:
        """Do everything that is due; devices side by side, so that a silent one holds up no other."""
        self.watch_clock()
        self.retry_saving()
        work: dict[str, list[Override]] = defaultdict(list)
        for one in sorted(self.overrides.values(), key=lambda one: (self._rank(one), one.id)):
            if one.open:
                work[one.device].append(one)
        async with asyncio.TaskGroup() as group:
            for device, found in work.items():
                group.create_task(self._tend_all(device, found))
        self._first_pass = True
        self.forget_closed(self._notices.kept)

    async def _tend_all(self, device: str, found: list[Override]) -> None:
        async with self._site.locks[device]:
            for one in found:
                if one.open:
                    await self._tend(one)

    async def _tend(self, one: Override) -> None:
        now_s = self._site.clock.monotonic_s()
        if one.state is State.INTENT:
            return  # its packet is under way in this very moment
        if one.ours and self.due(one):
            self._due_since_s.setdefault(one.id, now_s)
        overdue = one.state is State.HELD and self.due(one)
        if now_s < one.next_s and not (overdue and not one.failures and not one.attempts):
            return
        if overdue and not self._its_turn(one):
            return
        look = await self._look(one)
        if look is None:
            return
        if one.state in {State.VERIFYING, State.RELEASING}:
            self._check(one, look)
        else:
            self._settle(one, verdict.found(one, look), look)
        if one.state is State.HELD and self.due(one):
            if now_s >= one.next_attempt_s:
                await self._release(one, look)
            else:
                one.next_s = one.next_attempt_s
        one.recovered = one.recovered or not one.open or not self.due(one)

    async def _look(self, one: Override) -> Look | None:
        """Read afresh; a device that does not answer is asked again later."""
        try:
            look = await self._site.targets.look(self._site.point(one.point))
        except DriverError as error:
            self._failed(one, error.detail)
            return None
        if one.priority is not None and look.sticky:
            self._failed(one, "the device does not tell its priorities just now")
            return None
        one.seen_ms = self._site.clock.now_ms()
        one.next_s = self._site.clock.monotonic_s() + WATCH_S
        return look

    def _failed(self, one: Override, why: str) -> None:
        delay_s = BACK_OFF_S[min(one.failures, len(BACK_OFF_S) - 1)]
        one.failures += 1
        one.next_s = self._site.clock.monotonic_s() + delay_s
        one.detail = why
        if one.failures == 1 and self.due(one):
            self._site.tell("release waits", point=one.point, result=why)

    def _check(self, one: Override, look: Look) -> None:
        """Look at what was sent: until the last look only good news ends it, for readings lag behind."""
        now_s, found = self._site.clock.monotonic_s(), verdict.found(one, look)
        one.checks_s = [at_s for at_s in one.checks_s if at_s > now_s]
        one.failures = 0
        if one.state is State.VERIFYING:
            good = found is Event.FOUND_OURS and verdict.judged(one, look).result is Result.VERIFIED
        else:
            good = found is Event.FOUND_EMPTY
        if one.checks_s and not good and found is not Event.FOUND_FOREIGN:
            one.next_s = one.checks_s[0]
            return
        undone = one.state is State.RELEASING and found is Event.FOUND_OURS
        self._settle(one, found, look)
        if undone:
            self._failed(one, "the release was accepted, and the value is still there")

    def _settle(self, one: Override, found: Event, look: Look) -> None:
        """Take over what a reading shows."""
        before, sent = one.state, one.state in {State.VERIFYING, State.UNKNOWN}
        was = (one.result, one.detail)
        one.failures = 0
        if before is State.TAKEN and found in {Event.FOUND_OURS, Event.FOUND_PRIOR, Event.FOUND_FOREIGN}:
            return
        if found is Event.FOUND_PRIOR and sent and one.prior is not None:
            one.value = one.prior
        if follow(before, found) is State.HELD:
            one.prior = None
        self._take_over(one, found, look, sent=sent)
        self.learn(one, found, changed=(one.result, one.detail) != was)
        if one.state is State.HELD and one.result is not Result.VERIFIED:
            one.next_s = self._site.clock.monotonic_s() + WATCH_PENDING_S

    def _take_over(self, one: Override, found: Event, look: Look, *, sent: bool) -> None:
        """Set result and detail, and write down what has changed."""
        was = (one.result, one.detail)
        if found is Event.FOUND_OURS or (found is Event.FOUND_PRIOR and sent):
            seen = verdict.judged(one, look)
            late = " (late)" if one.state is State.UNKNOWN else ""
            one.result, one.detail = seen.result, seen.detail + late
            if found is Event.FOUND_PRIOR:
                one.result, one.detail = Result.NOT_WRITTEN, "the value that we held before still stands"
        elif found is Event.FOUND_EMPTY:
            mismatch = one.state is State.VERIFYING
            ended = Result.RELEASED if not sent else Result.MISMATCH if mismatch else Result.NOT_WRITTEN
            one.result, one.detail = ended, "accepted, and nothing was written" if mismatch else ""
            if one.state is State.HELD:
                one.detail = "not there any more, and not released by us"
        else:
            there = look.value if one.priority is None else look.slot(one.priority)
            one.result, one.detail = Result.FOREIGN, f"another writer's value stands there: {there}"
        if was != (one.result, one.detail):
            self._tell("read", one)

    async def _release(self, one: Override, look: Look) -> None:
        """Release what a fresh reading has just shown to be ours: one packet, on disk before it leaves."""
        point = self._site.point(one.point)
        if self._held_back(one, point, look):
            return
        if one.priority is None and verdict.same(one.restore, one.value):
            self._begin_release(one)
            self._settle(one, Event.FOUND_EMPTY, look)
            return
        try:
            self._begin_release(one)
        except AuditUnwritable as error:
            self._failed(one, str(error))
            return
        now_s = self._site.clock.monotonic_s()
        one.checks_s = [now_s, *(now_s + delay_s for delay_s in CHECKS_S)]
        one.next_s = now_s
        try:
            value = one.restore if one.priority is None else None
            await self._site.targets.put(point, value, one.priority, self._function(point))
        except DriverError as error:
            self._release_failed(one, error)
            return
        self.learn(one, Event.ACCEPTED)
        seen = await self._look(one)
        if seen is not None:
            self._check(one, seen)

    def _begin_release(self, one: Override) -> None:
        self._tell_strictly("release", one)
        before = one.state
        one.state = follow(before, Event.BEGIN_RELEASE)
        try:
            self._site.ledger.note(one)
        except AuditUnwritable:
            one.state = before
            raise
        one.next_attempt_s = self._site.clock.monotonic_s() + BACK_OFF_S[min(one.attempts, len(BACK_OFF_S) - 1)]
        one.attempts += 1

    def _release_failed(self, one: Override, error: DriverError) -> None:
        if isinstance(error, DeviceRefused):
            self.learn(one, Event.REFUSED)
        elif isinstance(error, DeviceUnreachable):
            self.learn(one, Event.NOT_SENT)
        else:
            self.learn(one, Event.UNANSWERED)
        self._failed(one, error.detail)
        self._site.tell("release not proven", point=one.point, result=error.detail)

    def _held_back(self, one: Override, point: Point, look: Look) -> bool:
        """Return whether a release waits because it could start a machine that somebody works on."""
        notice = self._notices.over(one.equipment)
        takes_over = one.restore if one.priority is None else look.below(one.priority)
        moves = bool(point.states) or point.quantity == "percent"
        why = ""
        if notice is not None and moves and takes_over != 0:
            shown = "something unknown" if takes_over is None else point.states.get(int(takes_over), f"{takes_over:g}")
            why = f"work notice of {notice['person']}: {shown} would take over"
        if why and why != one.held_back:
            self._site.tell("release held back", point=one.point, result=why)
        one.held_back = why
        return bool(why)

    def _its_turn(self, one: Override) -> bool:
        """Return whether what comes before it is released, or has had its time."""
        now_s = self._site.clock.monotonic_s()
        before = [
            other
            for other in self.overrides.values()
            if other.ours and self.due(other) and self._rank(other) < self._rank(one)
        ]
        return all(now_s - self._due_since_s.get(other.id, now_s) >= RANK_WAIT_S for other in before)

    def _rank(self, one: Override) -> int:
        item = self._site.plant.equipment.get(one.equipment)
        return RANK.get(item.kind, 1) if item is not None else 1

    def _function(self, point: Point) -> int:
        permit = self._site.permits.get(point.name)
        return permit.function if permit is not None else 0

    def _tell(self, act: str, one: Override) -> None:
        self._site.tell(act, **_written_down(one))

    def _tell_strictly(self, act: str, one: Override) -> None:
        self._site.audit.append(act, None, **_written_down(one))

    # --- what everybody sees ---
    def number(self, point: str) -> int:
        """Return how the override of a point stands, as a key of ``MOVES``."""
        one = self.on(point)
        if one is None:
            return 0
        if one.state is State.TAKEN:
            return 3
        if one.held_back and self.due(one):
            return 4
        if self.due(one) and (one.failures or one.attempts > 1 or one.id in self._unsaved):
            return 2
        if one.state is State.UNKNOWN:
            return 5
        return 6 if self._reminds(one) else 1

    def _reminds(self, one: Override) -> bool:
        """Return whether an override that was renewed again and again is to be thought of: for an hour of each day."""
        stood_ms = self._site.clock.now_ms() - one.began_ms
        return stood_ms >= DAY_MS and stood_ms % DAY_MS < REMINDER_MS

    def rows(self) -> list[dict[str, Any]]:
        """Return the overrides, open ones and those ended within the hour, for pages."""
        now_s = self._site.clock.monotonic_s()
        return [
            {
                "id": one.id, "point": one.point, "equipment": one.equipment, "address": one.address,
                "priority": one.priority, "value": one.value, "restore": one.restore, "state": one.state.value,
                "result": one.result.value, "detail": one.detail, "person": one.person["name"], "reason": one.reason,
                "began_ms": one.began_ms, "until_ms": one.until_ms, "left_s": round(one.ends_s - now_s) if one.open else 0,
                "open": one.open, "due": self.due(one), "held_back": one.held_back, "seen_ms": one.seen_ms,
                "effect": one.effect, "signal": MOVES[self.number(one.point)] if one.open else MOVES[0],
                "release_asked": one.release_asked,
            }
            for one in self.overrides.values()
        ]  # fmt: skip


def _written_down(one: Override) -> dict[str, Any]:
    return {
        "point": one.point, "address": one.address, "before": one.restore, "requested": one.value,
        "priority": one.priority, "expiry": one.until_ms, "result": one.result.value, "after": one.detail,
        "reason": f"for {one.person['name']}: {one.reason}" if not one.release_asked else f"asked by {one.release_asked}",
    }  # fmt: skip


def _overdue(seconds: float) -> str:
    return f"overdue {int(seconds // 3_600)} h {int(seconds % 3_600 // 60):02d}"
