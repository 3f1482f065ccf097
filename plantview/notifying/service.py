"""Takes annunciations, makes up messages and has them sent, one task per receiver so that none waits for another."""

from __future__ import annotations

import asyncio
from collections.abc import Callable, Iterable, Mapping
from datetime import datetime, timedelta
from typing import Any, Final
from zoneinfo import ZoneInfo

from plantview.alarms import Entry
from plantview.clock import Clock
from plantview.errors import Problem
from plantview.model.plant import Plant
from plantview.notifying.message import Call, Message, alarm_message, digest_message, trial_message
from plantview.notifying.sending import NotSent, send
from plantview.notifying.settings import EmailServer, Receiver, Settings
from plantview.notifying.waiting import Waiting

LOOK_REAL_S: Final = 1.0
DAY_MS: Final = 86_400_000

Send = Callable[[Message, Receiver, EmailServer | None], None]
Record = Callable[[str], Mapping[str, Any] | None]
Snapshot = Callable[[], Mapping[str, Any]]


class Notifying:
    """Tells receivers about the alarms of one plant."""

    def __init__(
        self, settings: Settings, problems: Iterable[Problem], plant: Plant, clock: Clock, sender: Send = send
    ) -> None:
        self._settings, self._plant, self._clock, self._send = settings, plant, clock, sender
        self._problems = [str(problem) for problem in problems]
        self._zone = ZoneInfo(plant.zone)
        self._waiting = {one.name: Waiting(one, self._zone) for one in settings.receivers}
        local = datetime.fromtimestamp(clock.now_ms() / 1_000, self._zone)
        over = settings.digest is None or local.time() >= settings.digest
        self._digest_day = local.date() - timedelta(days=0 if over else 1)
        """Day of the last digest; one that is still to come today is sent."""

    def take(self, entries: Iterable[Entry], record: Record) -> None:
        """Offer the annunciations among new journal lines to every receiver; ``record`` knows an alarm's texts."""
        if not self._waiting:
            return
        now_s = self._clock.monotonic_s()
        for entry in entries:
            known = record(entry.alarm) if entry.annunciated else None
            if known is not None:
                call = _call(entry, known)
                for waiting in self._waiting.values():
                    waiting.offer(call, now_s)

    def remind(self, standing: Iterable[Mapping[str, Any]]) -> None:
        """Take what stands unacknowledged at a start as if it called now: escalation goes on after a restart."""
        now_s = self._clock.monotonic_s()
        for row in standing:
            if row["active"] and not row["acked"]:
                for waiting in self._waiting.values():
                    if waiting.receiver.unacknowledged_s:
                        waiting.offer(_standing_call(row), now_s)

    def look(self, snapshot: Snapshot, figures: Callable[[int], Mapping[str, Any]]) -> None:
        """Make up the messages that are due; ``figures`` of so many ms up to now, for the digest."""
        if not self._waiting:
            return
        now_s, now_ms = self._clock.monotonic_s(), self._clock.now_ms()
        unacknowledged: set[str] | None = None
        for waiting in self._waiting.values():
            if waiting.later:
                if unacknowledged is None:
                    unacknowledged = {row["id"] for row in snapshot()["active"] if not row["acked"]}
                waiting.escalate(unacknowledged, now_s, now_ms)
            calls = waiting.due(now_s)
            if calls:
                waiting.put(alarm_message(self._plant, self._settings.page, calls), now_s)
        self._digest(snapshot, figures, now_s, now_ms)

    async def run(self, snapshot: Snapshot, figures: Callable[[int], Mapping[str, Any]]) -> None:
        """Look and send until cancelled."""
        if not self._waiting:
            return
        async with asyncio.TaskGroup() as group:
            for waiting in self._waiting.values():
                group.create_task(self._sending(waiting))
            while True:
                self.look(snapshot, figures)
                await asyncio.sleep(LOOK_REAL_S)

    async def send_due(self, waiting: Waiting) -> bool:
        """Send what is due for one receiver; return whether there was anything."""
        outgoing = waiting.next(self._clock.monotonic_s())
        if outgoing is None:
            return False
        try:
            await asyncio.to_thread(self._send, outgoing.message, waiting.receiver, self._settings.email)
        except NotSent as error:
            waiting.failed(outgoing, str(error), self._clock.monotonic_s())
        else:
            waiting.succeeded(outgoing, self._clock.now_ms())
        return True

    def test(self, name: str) -> bool:
        """Queue a test message; return whether there is such a receiver. How it went stands in ``status``."""
        waiting = self._waiting.get(name)
        if waiting is None:
            return False
        now_s = self._clock.monotonic_s()
        waiting.put(trial_message(self._plant, self._settings.page, name, self._clock.now_ms()), now_s)
        return True

    def waiting(self, name: str) -> Waiting:
        """Return what waits for one receiver (KeyError if there is none)."""
        return self._waiting[name]

    def status(self) -> dict[str, Any]:
        """Return who is told and how that went, ready for JSON; no credentials."""
        return {"receivers": [waiting.row() for waiting in self._waiting.values()], "problems": self._problems}

    def trouble(self) -> str:
        """Return in a sentence what is wrong; empty if nothing is."""
        told = [f"{w.receiver.name} was not told: {w.trouble}" for w in self._waiting.values() if w.trouble]
        return "; ".join([*self._problems, *told])

    async def _sending(self, waiting: Waiting) -> None:
        while True:
            if not await self.send_due(waiting):
                await asyncio.sleep(LOOK_REAL_S)

    def _digest(
        self, snapshot: Snapshot, figures: Callable[[int], Mapping[str, Any]], now_s: float, now_ms: int
    ) -> None:
        local = datetime.fromtimestamp(now_ms / 1_000, self._zone)
        at = self._settings.digest
        if at is None or local.date() == self._digest_day or local.time() < at:
            return
        self._digest_day = local.date()
        message = digest_message(self._plant, self._settings.page, figures(DAY_MS), snapshot()["active"])
        for waiting in self._waiting.values():
            if waiting.receiver.digest:
                waiting.put(message, now_s)


def _call(entry: Entry, known: Mapping[str, Any]) -> Call:
    texts = (str(known[key]) for key in ("action", "consequence"))
    return Call(entry.at_ms, entry.alarm, entry.equipment, str(known["class"]), entry.priority, entry.text, *texts)


def _standing_call(row: Mapping[str, Any]) -> Call:
    texts = (str(row[key]) for key in ("text", "action", "consequence"))
    return Call(row["since_ms"], row["id"], row["equipment"], row["class"], row["priority"], *texts)
