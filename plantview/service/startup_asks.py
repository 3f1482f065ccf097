"""Start-up day in the field process: takes readings, alarms and device events, keeps what they mean, answers pages."""

from __future__ import annotations

import asyncio
import logging
from collections.abc import Awaitable, Callable, Iterable, Mapping, Sequence
from pathlib import Path
from typing import Any, Final

from plantview.alarms import Entry, Rule
from plantview.channel.messages import AskRefused
from plantview.clock import Clock
from plantview.history import Samples, Store
from plantview.model.device_event import DeviceEvent
from plantview.model.plant import Plant
from plantview.model.reading import Batch
from plantview.model.signal import Signal
from plantview.polling import Polling
from plantview.service.startup_told import StartupTold
from plantview.startup import Captures, Changes, Checkout, Event, FastGroup, Memory, Starts, Waiting, marker, proofs
from plantview.startup.checkout import Refused

ROUND_S: Final = 1.0
"""Plant time between two looks at time-outs, starts and captures."""
ROUND_REAL_S_MIN: Final = 0.1
DEVICE_EVENTS_MS: Final = 60_000
"""How late an event without a usable stamp may be told by its device: the usual round of asking."""
SILENT_KINDS: Final = frozenset({"SUPPRESS", "UNSUPPRESS", "NOTE", "REFUSED", "COVERED", "RESUME"})
"""Lines of the alarm journal that are nothing that happened in the plant."""

Body = dict[str, Any]
log = logging.getLogger("plantview.service")


class StartupAsks:
    """Everything of start-up day that must go on with no page open."""

    def __init__(
        self,
        plant: Plant,
        data: Path,
        clock: Clock,
        signals: Mapping[str, Signal],
        history: Store,
        polling: Polling,
        rules: Sequence[Rule],
    ) -> None:
        self._clock, self._history, self._signals = clock, history, signals
        self._rules = {rule.id: rule for rule in rules}
        self._memory = Memory(data)
        self._changes = Changes(plant)
        self._waiting = Waiting(proofs(plant, rules), self._memory)
        self._starts = Starts(plant, signals, self._memory)
        self._checkout = Checkout(plant, self._memory, clock)
        self._captures = Captures(plant, rules, signals, data, self._memory)
        self._fast = FastGroup(plant, clock, polling.quicken)
        self._told = StartupTold(
            clock, self._memory, self._waiting, self._starts, self._checkout, self._captures, history.frame
        )

    def answers(self) -> dict[str, Callable[[Body], Awaitable[Body]]]:
        """Return the questions with their answers."""
        return {
            "startup": self.standing,
            "startup_mark": self.mark,
            "startup_fast": self.fast,
            "startup_check": self.check,
            **self._told.answers(),
        }

    def take(self, batch: Batch) -> None:
        """Take what was read; never waits. The border where a fault of this room stays in it: polling goes on."""
        try:
            self._take(batch)
        except Exception:
            log.exception("start-up notes lost a batch")

    def _take(self, batch: Batch) -> None:
        events, edges = self._changes.take(batch)
        self._memory.note(events)
        self._waiting.take(edges)
        self._starts.take(edges)
        self._checkout.take(batch)

    def take_alarms(self, entries: Iterable[Entry]) -> None:
        """Take new lines of the alarm journal."""
        told = [entry for entry in entries if entry.kind not in SILENT_KINDS]
        self._memory.note(self._alarm_event(entry) for entry in told)
        self._captures.take(told)

    def take_device_events(self, told: Mapping[str, tuple[DeviceEvent, ...]]) -> None:
        """Take what devices consider to be in alarm."""
        self._memory.note(self._changes.device_events(told, self._clock.now_ms(), DEVICE_EVENTS_MS))

    async def run(self) -> None:
        """Look after time-outs, starts, the fast group and captures until cancelled."""
        await asyncio.to_thread(self._told.recall)
        await asyncio.to_thread(self._captures.recall)
        try:
            while True:
                try:
                    await self._round()
                except Exception:  # the same border: watching a start must end nothing else
                    log.exception("a round of start-up failed")
                await asyncio.sleep(max(ROUND_REAL_S_MIN, ROUND_S / self._clock.speed))
        finally:
            self._memory.close()

    async def _round(self) -> None:
        now_ms = self._clock.now_ms()
        self._memory.note(self._waiting.tick(now_ms))
        self._starts.watch(self._history.frame())
        self._fast.tick()
        self._checkout.keep()
        for one in self._captures.due(now_ms):
            await asyncio.to_thread(self._captures.write, one, self._read)
        await asyncio.to_thread(self._memory.flush)

    def _read(self, names: Sequence[str], from_ms: int, to_ms: int) -> dict[str, Samples]:
        return {name: self._history.range(name, from_ms, to_ms) for name in names}

    def _alarm_event(self, entry: Entry) -> Event:
        rule = self._rules.get(entry.alarm)
        early_ms = 0 if rule is None else round((rule.period_s + rule.on_delay_s) * 1_000)
        point = "" if rule is None else rule.point
        by_person = bool(entry.person)
        return Event(
            entry.at_ms, 0 if by_person else early_ms, 0, "person" if by_person else "scan", "alarm", entry.equipment,
            point, entry.before, entry.kind, f"{entry.alarm}: {entry.text}".rstrip(": "), entry.person,
        )  # fmt: skip

    async def standing(self, _body: Body) -> Body:
        """Return the proofs, the fast group, and what is being captured."""
        now_ms = self._clock.now_ms()
        return {
            "now_ms": now_ms,
            "proofs": self._waiting.rows(now_ms),
            "fast": self._fast.row(),
            "capturing": self._captures.waiting(),
            "trouble": "; ".join(filter(None, (self._memory.health(), self._captures.trouble))),
        }

    async def mark(self, body: Body) -> Body:
        """Put a marker now."""
        event = marker(self._clock.now_ms(), str(body.get("text", "")), str(body["person"]))
        self._memory.note([event])
        await asyncio.to_thread(self._memory.flush)
        return {"marker": event.row()}

    async def fast(self, body: Body) -> Body:
        """Choose, extend or end the fast group."""
        act, person = str(body.get("act", "choose")), str(body["person"])
        with _Refusals():
            if act == "choose":
                self._fast.choose([str(name) for name in body["points"]], float(body.get("minutes", 30.0)), person)
            elif act == "extend":
                self._fast.extend(person)
            elif act == "end":
                self._fast.end()
            else:
                raise Refused(f"'{act[:40]}' is nothing that can be done to the fast group")
        said = {"choose": "begun", "extend": "extended", "end": "ended"}[act]
        count = len(self._fast.row()["points"])
        text = f"fast group {said}" + (f": {count} points" if count else "")
        self._memory.note([Event(self._clock.now_ms(), 0, 0, "person", "state", "", text=text, person=person)])
        return await self.standing({})

    async def check(self, body: Body) -> Body:
        """Write one line of the sheet."""
        with _Refusals():
            row = self._checkout.check(self._history.frame(), str(body["point"]), body, str(body["person"]))
        await asyncio.to_thread(self._memory.flush)
        return {"point": str(body["point"]), "checked": row}


class _Refusals:
    """Turns a refusal of the room into one of the channel."""

    def __enter__(self) -> None:
        return None

    def __exit__(self, _kind: object, error: BaseException | None, _trace: object) -> None:
        if isinstance(error, Refused):
            raise AskRefused(str(error), "refused") from error
