"""A field process that only looks back: a plant's data folder as it was left, and no device is asked anything."""

from __future__ import annotations

import asyncio
from collections.abc import Awaitable, Callable, Sequence
from pathlib import Path
from typing import Any, Final

from plantview.alarms import Rule, compile_rules
from plantview.channel.messages import AskRefused
from plantview.channel.paths import socket_path
from plantview.channel.server import ChannelServer
from plantview.clock import Clock
from plantview.derive import Derivation
from plantview.history import Archive, Samples
from plantview.model.plant import Plant
from plantview.model.reading import Frame
from plantview.model.signal import Signal, signal_of
from plantview.process import say
from plantview.service.messages import asked_range, hello, samples_row
from plantview.service.past_alarms import AlarmsThen
from plantview.service.past_asks import PastAsks
from plantview.service.startup_told import StartupTold
from plantview.startup import Captures, Checkout, Memory, Starts, Waiting, proofs
from plantview.startup.memory import FILE as STARTUP

REFUSED: Final = (
    "acknowledge", "alarm_act", "notice_test", "command", "startup_mark", "startup_fast", "startup_check",
    "command_state", "overrides",
)  # fmt: skip
"""Acts of people, which there is nobody here to do."""
WHY: Final = "this is the past of a plant; nothing can be acknowledged, changed or commanded here"


class PastField:
    """Answers about the past of one plant; polls nothing, judges nothing anew, writes nothing."""

    def __init__(self, plant: Plant, data: Path, clock: Clock) -> None:
        self.plant, self.clock = plant, clock
        derivation = Derivation(plant)
        points = {point.name: signal_of(point) for point in plant.points.values()}
        self.signals: dict[str, Signal] = {**points, **derivation.signals}
        rules, _ = compile_rules(plant, self.signals)
        self._archive = Archive.of(plant, data)
        then = AlarmsThen(data, rules)
        self._past = PastAsks(plant, self.signals, derivation, Archive.of(plant, data), _nothing, then, clock)
        self._startup = self._noted(plant, data, rules)
        self._then, self._reading = then, asyncio.Lock()
        self.channel = ChannelServer(socket_path(data))
        self._unbound = dict(derivation.unbound)
        answers: dict[str, Callable[[dict[str, Any]], Awaitable[dict[str, Any]]]] = {
            "range": self._range,
            "journal": self._journal,
            **dict.fromkeys(REFUSED, _refuse),
            **self._past.answers(),
            **self._startup.answers(),
        }
        for what, answer in answers.items():
            self.channel.register(what, answer)

    async def run(self, stop: asyncio.Event) -> None:
        """Answer until ``stop``."""
        await asyncio.to_thread(self._startup.recall)
        await self.channel.start()
        try:
            self.channel.publish("hello", self._hello())
            say(ready="field", points=len(self.plant.points), signals=len(self.signals))
            await stop.wait()
        finally:
            await self.channel.stop()
            self._startup.memory.close()

    def _noted(self, plant: Plant, data: Path, rules: Sequence[Rule]) -> StartupTold:
        kept = (data / STARTUP).exists()
        memory = Memory(data if kept else None, read_only=kept)
        return StartupTold(
            self.clock,
            memory,
            Waiting(proofs(plant, rules), memory),
            Starts(plant, self.signals, memory),
            Checkout(plant, memory, self.clock),
            Captures(plant, rules, self.signals, data, memory),
            lambda: Frame(0, self.clock.now_ms(), {}),
        )

    def _hello(self) -> dict[str, Any]:
        told = hello(self.plant, self.clock, self.signals, self._unbound, self.clock.now_ms())
        return {**told, "past_only": True}

    async def _range(self, body: dict[str, Any]) -> dict[str, Any]:
        name, from_ms, to_ms = asked_range(body, self.signals, self.clock.now_ms())
        async with self._reading:
            return samples_row(name, await asyncio.to_thread(self._archive.range, name, from_ms, to_ms))

    async def _journal(self, body: dict[str, Any]) -> dict[str, Any]:
        limit = min(int(body.get("limit", 100)), 500)
        return {"rows": await asyncio.to_thread(self._then.lines, limit, body.get("before"))}


def _nothing(names: Sequence[str], from_ms: int, to_ms: int) -> dict[str, Samples]:
    del names, from_ms, to_ms  # there is no memory but the archive
    return {}


async def _refuse(_body: dict[str, Any]) -> dict[str, Any]:
    raise AskRefused(WHY, "past")
