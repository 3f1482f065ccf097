"""The field process, built from one plant description: it connects the rooms and answers the channel."""

from __future__ import annotations

import asyncio
import contextlib
import logging
from pathlib import Path
from typing import Any, Final

from apscheduler.events import EVENT_JOB_ERROR, EVENT_JOB_MAX_INSTANCES, EVENT_JOB_MISSED, JobEvent
from apscheduler.schedulers.asyncio import AsyncIOScheduler

from plantview.alarms import AlarmEngine, AlarmStore, compile_rules, is_warning
from plantview.channel.paths import socket_path
from plantview.channel.server import ChannelServer
from plantview.clock import Clock
from plantview.derive import Derivation
from plantview.derive.conditions import conditions
from plantview.derive.flows import flows
from plantview.errors import ConfigError
from plantview.history import NOT_READ, Archive, Store
from plantview.model.plant import Plant
from plantview.model.reading import Batch, Frame
from plantview.model.signal import Signal, signal_of
from plantview.notifying import Notifying, load_settings
from plantview.polling import Polling
from plantview.process import say
from plantview.service.acts_record import ActsRecord
from plantview.service.alarm_asks import AlarmAsks
from plantview.service.backfill_ask import BackfillAsk
from plantview.service.backfilling import Backfilling, last_heard
from plantview.service.command_alarms import command_signals, with_command_alarms
from plantview.service.command_asks import CommandAsks
from plantview.service.findings import PERIOD_S as FINDINGS_PERIOD_S
from plantview.service.findings import Findings
from plantview.service.learned_asks import PERIOD_S as MODELS_PERIOD_S
from plantview.service.learned_asks import LearnedAsks
from plantview.service.messages import Rows, asked_range, changed, hello, samples_row, view
from plantview.service.past_alarms import AlarmsThen
from plantview.service.past_asks import PastAsks
from plantview.service.startup_asks import StartupAsks

DERIVE_PERIOD_S: Final = 15.0
"""Plant time between two runs of the derived values."""
ALARM_PERIOD_S: Final = 1.0
BACKFILL_PERIOD_S: Final = 15.0
JOB_PERIOD_REAL_S_MIN: Final = 0.1
"""A simulated plant at high speed gets at most ten runs of a job per real second."""
FRAME_PERIOD_REAL_S: Final = 1.0
"""Without a new reading a frame follows so long after the last one: readings grow old, and a live field is heard."""
FRAME_GAP_REAL_S: Final = 0.2
"""A new reading waits no longer than this for its frame; more frames a second than five no eye would tell apart."""
FIRST_SWEEPS_REAL_S: Final = 15.0
"""At first derived values follow every frame, so that they are there as soon as the devices were swept once;
alarms are judged from then on, or from the first sweep: what was not read yet is no news to anybody."""

log = logging.getLogger("plantview.service")


class Field:
    """Polls, derives, watches and tells."""

    def __init__(self, plant: Plant, data: Path, clock: Clock) -> None:
        self.plant, self.clock = plant, clock
        self._learned = LearnedAsks(plant, data)
        self.derivation = Derivation(plant, self._learned.learned)
        points = {point.name: signal_of(point) for point in plant.points.values()}
        self.signals: dict[str, Signal] = {**points, **self.derivation.signals, **command_signals(plant)}
        rules, problems = compile_rules(with_command_alarms(plant), self.signals)
        errors = [problem for problem in problems if not is_warning(problem)]
        if errors:
            raise ConfigError(plant.folder, errors)
        self.history = Store.of(plant, data, self.signals, clock)
        self.backfilling = Backfilling(self.history)
        self.device_events: dict[str, tuple[Any, ...]] = {}
        """By device: what it considers to be in alarm."""
        self.polling = Polling(
            plant,
            clock,
            self._take,
            memory=data / "device-limits.json",
            backfill=self.backfilling.take,
            events=self.device_events.__setitem__,
        )
        self.alarms = AlarmEngine(rules, clock, AlarmStore(data, clock))
        self.notifying = Notifying(*load_settings(data), plant, clock)
        self._record = ActsRecord(plant, data, clock)
        self._alarm_asks = AlarmAsks(self.alarms, self.notifying, clock, self._record)
        self.findings = Findings(plant, data, clock, self.history, self.derivation.reconciliation.signals)
        self._commands = CommandAsks(plant, data, clock, self.signals, self._now, self.history.take, self._record)
        self._past = PastAsks(
            plant,
            self.signals,
            self.derivation,
            Archive.of(plant, data, owner=True),
            lambda names, from_ms, to_ms: {name: self.history.recent(name, from_ms, to_ms) for name in names},
            AlarmsThen(data, rules),
            clock,
        )
        self._startup = StartupAsks(plant, data, clock, self.signals, self.history, self.polling, rules)
        self.channel = ChannelServer(socket_path(data))
        self.channel.full_frame = self._full_frame
        self.started_ms = clock.now_ms()
        self.troubled_jobs: dict[str, int] = {}
        self._frame = self._now()
        self._sent: dict[str, Rows] = {}
        self._alarms_seq = -1
        self._started_real_s = 0.0
        self._news = asyncio.Event()
        """Something was read since the last frame."""
        for what, answer in (
            ("range", self._range),
            ("frame", self._ask_frame),
            ("health", self._ask_health),
            ("models", self._learned.models),
            ("backfill", BackfillAsk(self.history).answer),
            *self._alarm_asks.answers().items(),
            *self._past.answers().items(),
            *self._startup.answers().items(),
            *self.findings.answers().items(),
            *self._commands.answers().items(),
        ):
            self.channel.register(what, answer)

    async def run(self, stop: asyncio.Event) -> None:
        """Work until ``stop``; then stop in the order schedule, polling, flush."""
        await asyncio.to_thread(self.history.start)
        self.polling.heard_until(await last_heard(self.history, self.plant, self.clock.now_ms()))
        self._started_real_s = asyncio.get_running_loop().time()
        schedule = self._schedule()
        try:
            async with asyncio.TaskGroup() as group:
                polling = group.create_task(self.polling.run())
                await self.channel.start()
                self.channel.publish("hello", self._hello())
                telling = group.create_task(self._tell())
                recording = group.create_task(self._record.run())
                commanding = group.create_task(self._commands.run())
                starting = group.create_task(self._startup.run())
                self.notifying.remind(self.alarms.snapshot()["active"])
                notifying = group.create_task(self.notifying.run(self.alarms.snapshot, self._alarm_asks.last))
                schedule.start()
                say(ready="field", points=len(self.plant.points), signals=len(self.signals))
                await stop.wait()
                schedule.shutdown(wait=False)
                commanding.cancel()
                starting.cancel()
                telling.cancel()
                notifying.cancel()
                polling.cancel()
                await asyncio.gather(commanding, return_exceptions=True)
                recording.cancel()
        finally:
            if schedule.running:
                schedule.shutdown(wait=False)
            await self.channel.stop()
            self.alarms.close()
            await asyncio.to_thread(self.history.close)

    def _take(self, batch: Batch) -> None:
        self.history.take(batch)
        self._startup.take(batch)
        self._news.set()

    def _schedule(self) -> AsyncIOScheduler:
        defaults = {"coalesce": True, "max_instances": 1, "misfire_grace_time": None}
        schedule = AsyncIOScheduler(timezone="UTC", job_defaults=defaults)
        for name, job, period_s in (
            ("derive", self._derive, DERIVE_PERIOD_S),
            ("watch", self._watch, ALARM_PERIOD_S),
            ("backfill", self.backfilling.write, BACKFILL_PERIOD_S),
            ("findings", self.findings.look, FINDINGS_PERIOD_S),
            ("models", self._learned.look, MODELS_PERIOD_S),
        ):
            seconds = max(JOB_PERIOD_REAL_S_MIN, period_s / self.clock.speed)
            schedule.add_job(job, "interval", seconds=seconds, id=name)
        schedule.add_listener(self._job_trouble, EVENT_JOB_ERROR | EVENT_JOB_MISSED | EVENT_JOB_MAX_INSTANCES)
        return schedule

    def _job_trouble(self, event: JobEvent) -> None:
        self.troubled_jobs[event.job_id] = self.troubled_jobs.get(event.job_id, 0) + 1
        trace = getattr(event, "traceback", None)
        if trace:
            log.error("%s failed: %s", event.job_id, trace)

    def _now(self) -> Frame:
        """Return the present readings without those that physics contradicts."""
        return self.findings.withheld(self.history.frame())

    async def _derive(self) -> None:
        self.history.take(self.derivation.run(self._now()))

    def _starting(self) -> bool:
        return asyncio.get_running_loop().time() - self._started_real_s < FIRST_SWEEPS_REAL_S

    async def _watch(self) -> None:
        self._frame = self._now()
        if self._starting() and any(item.reason == NOT_READ for item in self._frame.readings.values()):
            return
        silent = {row["id"]: row["last_error"] for row in self.polling.health() if row["state"] == "silent"}
        entries = self.alarms.evaluate(self._frame, silent, events=self.device_events)
        self.notifying.take(entries, self.alarms.record)
        self._startup.take_alarms(entries)
        self._startup.take_device_events(self.device_events)

    async def _tell(self) -> None:
        beat_s = -FRAME_PERIOD_REAL_S
        while True:
            now_s = asyncio.get_running_loop().time()
            on_beat = now_s - beat_s >= FRAME_PERIOD_REAL_S
            if on_beat:
                beat_s = now_s
            if on_beat and self._starting():
                await self._derive()
            self._news.clear()
            self._frame = self._now()
            self.channel.publish("frame", self._delta())
            if self.alarms.seq != self._alarms_seq:
                self._alarms_seq = self.alarms.seq
                self.channel.publish("alarms", self.alarms.snapshot())
            if on_beat:
                self.channel.publish("health", self._health())
            await self._until_news()

    async def _until_news(self) -> None:
        """Wait for a reading, for a moment in any case, at most for the rest of a frame's period."""
        await asyncio.sleep(FRAME_GAP_REAL_S)
        with contextlib.suppress(TimeoutError):
            async with asyncio.timeout(FRAME_PERIOD_REAL_S - FRAME_GAP_REAL_S):
                await self._news.wait()

    def _view(self) -> dict[str, Rows]:
        judged = conditions(self.plant, self._frame, self.alarms.tripped())
        return view(self._frame, judged, flows(self.plant, self._frame, judged))

    def _delta(self) -> dict[str, Any]:
        now = self._view()
        rows = changed(now, self._sent)
        self._sent = now
        return {"seq": self._frame.seq, "now_ms": self.clock.now_ms(), "full": False, **rows}

    def _full_frame(self) -> dict[str, Any]:
        rows = self._sent or self._view()
        return {"seq": self._frame.seq, "now_ms": self.clock.now_ms(), "full": True, **rows}

    def _hello(self) -> dict[str, Any]:
        return hello(self.plant, self.clock, self.signals, self.derivation.unbound, self.started_ms)

    def _health(self) -> dict[str, Any]:
        devices = self.polling.health()
        return {
            "now_ms": self.clock.now_ms(),
            "started_ms": self.started_ms,
            "devices": devices,
            "networks": self.polling.networks(),
            "silent": [row["id"] for row in devices if row["state"] == "silent"],
            "troubled_jobs": dict(self.troubled_jobs),
            "subscribers": self.channel.clients,
            "alarm_store": self.alarms.health(),
            "findings": self.findings.count(),
            "notices": self.notifying.trouble(),
            "audit": self._record.trouble,
            "history_store": self.history.health(),
            "history": self.history.stats(),
        }

    async def _ask_frame(self, _body: dict[str, Any]) -> dict[str, Any]:
        self._frame = self._now()
        return {"seq": self._frame.seq, "now_ms": self.clock.now_ms(), "full": True, **self._view()}

    async def _ask_health(self, _body: dict[str, Any]) -> dict[str, Any]:
        return self._health()

    async def _range(self, body: dict[str, Any]) -> dict[str, Any]:
        name, from_ms, to_ms = asked_range(body, self.signals, self.clock.now_ms())
        return samples_row(name, self.history.recent(name, from_ms, to_ms))
