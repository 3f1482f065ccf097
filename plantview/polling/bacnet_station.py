"""Polls one BACnet device: batches of objects, each failure turned into readings."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from typing import Any, Final

from typing_extensions import override

from plantview.clock import Clock
from plantview.drivers.bacnet_codec import FAULT, PRESENT_VALUE, STATUS_FLAGS, Answer, Item
from plantview.drivers.bacnet_network import BacnetNetwork
from plantview.drivers.bacnet_reader import NO_RELIABILITY, BacnetReader, Limits, ObjectBatch, place_of
from plantview.drivers.bacnet_words import NO_SERVICE, TOO_BIG
from plantview.drivers.exchange import Budget, unlimited
from plantview.errors import DeviceRefused, DriverError, ReplyUnusable
from plantview.model.plant import Device
from plantview.model.point import Point
from plantview.model.quality import Quality
from plantview.model.reading import Reading
from plantview.polling.beside import Beside
from plantview.polling.object_plan import ObjectPlan
from plantview.polling.outcome import bacnet_reading
from plantview.polling.outlets import Outlets
from plantview.polling.station import FAST, Sink, Station

OBJECT_AT_FAULT: Final = frozenset({"unknown-object", "unknown-property", "read-access-denied", "invalid-tag"})
"""Error words about one object that some devices give for the whole request it stands in."""
BUSY: Final = frozenset({"device-busy", "busy", "server-timeout", "timeout"})
"""Words that say nothing about the points: their last reading stands and ages."""
UNUSABLE_MAX: Final = 2
"""Unusable answers in one cycle after which the device is left alone until it makes sense again."""


class BacnetStation(Station):
    """One device on BACnet/IP, one request in flight."""

    def __init__(
        self,
        device: Device,
        points: Iterable[Point],
        network: BacnetNetwork,
        clock: Clock,
        sink: Sink,
        outlets: Outlets | None = None,
        budget: Budget = unlimited,
        process: int = 1,
    ) -> None:
        super().__init__(device, points, clock, sink, outlets)
        self._reader = BacnetReader(network, device, self.health.trace, self.metered(budget))
        self._plans = {period_s: ObjectPlan(group) for period_s, group in self.classes().items()}
        self.recall(self._plans)
        self._beside = Beside(self._reader, self.points, self.health, self.outlets, process)
        self.heard_as = network.known_as(place_of(device))
        """Where its notifications and its I-Am come from."""
        self.claimed_by = ""
        """Other addresses that claim the same device instance; empty as it should be."""
        self._met = False
        self._stranger = ""
        """Why the device at the address is not the one that is meant; empty when it is."""

    @override
    async def probe(self) -> None:
        """Ask the device object for its sizes: this also notices another device at the address."""
        try:
            limits = await self._reader.limits()
        except (DeviceRefused, ReplyUnusable) as error:  # an answer: the device is there, its sizes stay unknown
            limits = Limits.conservative()
            self._stranger = self._why_stranger(error)
            self.health.failed(error)
        else:
            self._met, self._stranger = True, ""
        for plan in self._plans.values():
            plan.take_limits(limits)

    @override
    def quicken(self, points: tuple[Point, ...]) -> int:
        self._plans = self.replanned(points, self._plans, self._like)
        return int(self._plans[FAST].as_dict()["requests_per_cycle"]) if points else 0

    @staticmethod
    def _like(points: tuple[Point, ...], *plans: ObjectPlan) -> ObjectPlan:
        """Return a plan for some points that knows what others learned."""
        made = ObjectPlan(points)
        for plan in plans:
            made.take_limits(plan.limits)
            if learned := plan.learned():
                made.recall(learned)
        return made

    def _why_stranger(self, error: DriverError) -> str:
        if error.code != "unknown-object":
            return ""
        return f"no BACnet device {self.device.unit} at {self.device.address} -> correct its instance or address"

    @override
    async def poll(self, period_s: float) -> None:
        """Ask for every object of one period."""
        plan = self._plans[period_s]
        if not self._met or self._stranger:
            await self.probe()
        if self._stranger:
            self.emit_bad(_points(plan, plan.points), self._stranger)
            return
        for key, why in plan.refused(self.clock.monotonic_s()).items():
            self.emit_bad(plan.points[key], why)
        await self._cycle(plan, list(plan.batches(self.clock.monotonic_s())))
        self.keep(period_s, plan)
        if period_s == FAST:
            return  # what is asked beside the points keeps its usual pace
        if self.unheard_from_ms is not None:
            self._beside.outage(self.unheard_from_ms, self.clock.now_ms())
            self.unheard_from_ms = None
        await self._beside.some_steps(self.give_way)

    async def _cycle(self, plan: ObjectPlan, waiting: list[ObjectBatch]) -> None:
        unusable = 0
        while waiting:
            await self.give_way()
            if self.silent:
                return
            batch = waiting.pop(0)
            try:
                waiting[:0] = await self._ask(plan, batch)
            except ReplyUnusable as error:
                self.health.failed(error)
                self.emit_bad(_points(plan, batch.keys), error.detail)
                unusable += 1
                if unusable >= UNUSABLE_MAX and waiting:
                    raise

    async def _ask(self, plan: ObjectPlan, batch: ObjectBatch) -> Sequence[ObjectBatch]:
        """Ask for one batch and emit it; return smaller ones to ask instead where the device wants that."""
        try:
            if plan.single:
                await self._take(plan, {key: await self._reader.read_one(key) for key in batch.keys})
            else:
                await self._take(plan, await self._reader.read(batch))
        except DeviceRefused as error:
            return self._smaller(plan, batch, error)
        if len(batch.keys) == 1:
            plan.accept(batch.keys[0])
        return ()

    def _smaller(self, plan: ObjectPlan, batch: ObjectBatch, error: DeviceRefused) -> Sequence[ObjectBatch]:
        keys = list(batch.keys)
        if error.code == NO_SERVICE and not plan.single:
            plan.read_singly()
            return plan.split(keys)
        if error.code in TOO_BIG and len(keys) > 1:
            plan.shrink(len(keys) // 2)
            return plan.split(keys)
        if error.code in OBJECT_AT_FAULT and len(keys) > 1:
            middle = len(keys) // 2
            return (ObjectBatch(keys[:middle]), ObjectBatch(keys[middle:]))
        self._give_up(plan, keys, error)
        return ()

    def _give_up(self, plan: ObjectPlan, keys: list[int], error: DeviceRefused) -> None:
        self.health.failed(error)
        if error.code in BUSY:
            self.emit_silent(_points(plan, keys), error.detail)
            return
        if error.code in OBJECT_AT_FAULT:
            plan.refuse(keys[0], self.clock.monotonic_s(), error.detail)
        self.emit_bad(_points(plan, keys), error.detail)

    async def _take(self, plan: ObjectPlan, answers: dict[int, Answer]) -> None:
        if self._beside.changes:
            self._beside.changes.polled(answers)
        at_ms = self.clock.now_ms()  # when the values came, not when the reasons for their faults did
        faulty = [key for key, answer in answers.items() if answer.flags & FAULT]
        reasons, late = await self._reasons(plan, faulty) if faulty else ({}, None)
        self.emit(
            {
                point.name: self._doubted(bacnet_reading(point, answer, reasons.get(key, NO_RELIABILITY), at_ms))
                for key, answer in answers.items()
                for point in plan.points[key]
            }
        )
        if late is not None:
            self.health.failed(late)

    def _doubted(self, reading: Reading) -> Reading:
        """Mark a reading of a device whose instance another one claims too."""
        if not self.claimed_by or reading.quality is not Quality.GOOD:
            return reading
        why = f"device {self.device.unit} exists twice: also at {self.claimed_by}"
        return Reading(reading.value, Quality.UNCERTAIN, why, reading.at_ms)

    def changed(self, key: int, values: Mapping[int, Item]) -> None:
        """Take a COV notification of one object; a fault waits for the poll, which asks for its reason."""
        changes = self._beside.changes
        plan = next((one for one in self._plans.values() if key in one.points), None)
        value, flags = values.get(PRESENT_VALUE), values.get(STATUS_FLAGS, 0.0)
        if changes is None or key not in changes or plan is None or value is None or not isinstance(flags, float):
            return
        answer = Answer(value, int(flags))
        changes.told(key, answer)
        if not answer.flags & FAULT and not self.silent and not self._stranger:
            at_ms = self.clock.now_ms()
            points = plan.points[key]
            self.emit({one.name: self._doubted(bacnet_reading(one, answer, NO_RELIABILITY, at_ms)) for one in points})

    async def _reasons(self, plan: ObjectPlan, keys: list[int]) -> tuple[dict[int, str], DriverError | None]:
        """Return the reliability of faulty objects; without it the fault alone has to do."""
        try:
            if plan.single:
                return {key: await self._reader.reliability(key) for key in keys}, None
            return await self._reader.reliabilities(keys), None
        except DriverError as error:
            return {}, error

    @override
    def plan(self) -> dict[str, Any]:
        """Return batches and learned sizes per period."""
        usual = {period_s: plan for period_s, plan in self._plans.items() if period_s != FAST}
        return {"plans": [{"period_s": period_s, **plan.as_dict()} for period_s, plan in usual.items()]}


def _points(plan: ObjectPlan, keys: Iterable[int]) -> list[Point]:
    return [point for key in keys for point in plan.points[key]]
