"""Polls one Modbus unit: blocks of registers, holes found and remembered, each failure turned into readings."""

from __future__ import annotations

from collections.abc import Iterable
from typing import Any, Final

from typing_extensions import override

from plantview.clock import Clock
from plantview.drivers.exchange import Budget, unlimited
from plantview.drivers.modbus_decode import Decode, decoder
from plantview.drivers.modbus_reader import ILLEGAL_ADDRESS, ILLEGAL_VALUE, ModbusReader
from plantview.errors import DeviceRefused, ReplyUnusable
from plantview.model.plant import Device
from plantview.model.point import ModbusAddress, Point
from plantview.polling.outcome import reading_of
from plantview.polling.outlets import Outlets
from plantview.polling.register_plan import BITS_PER_REGISTER, Block, RegisterPlan
from plantview.polling.request_cost import GAP_START, RequestCost
from plantview.polling.station import FAST, Sink, Station

NOT_THERE: Final = frozenset({ILLEGAL_ADDRESS, ILLEGAL_VALUE})
"""Exceptions that may come from one register of a block, or from its size."""
BUSY: Final = frozenset({"5", "6"})
"""Acknowledge and busy: nothing is said about the points, so their last reading stands and ages."""
UNUSABLE_MAX: Final = 2
"""Unusable answers in one cycle after which the unit is left alone until it makes sense again."""


class ModbusStation(Station):
    """One unit behind a gateway, or a device of its own; the reader is shared by the gateway's units."""

    def __init__(
        self,
        device: Device,
        points: Iterable[Point],
        reader: ModbusReader,
        clock: Clock,
        sink: Sink,
        outlets: Outlets | None = None,
        budget: Budget = unlimited,
    ) -> None:
        super().__init__(device, points, clock, sink, outlets)
        self._reader, self._budget = reader, self.metered(budget)
        self._plans = {period_s: RegisterPlan(group) for period_s, group in self.classes().items()}
        self.recall(self._plans)
        self._cost = RequestCost()
        self._decode: dict[str, Decode] = {
            point.name: decoder(point.address, point.states)
            for point in self.points
            if isinstance(point.address, ModbusAddress)
        }

    @override
    def quicken(self, points: tuple[Point, ...]) -> int:
        self._plans = self.replanned(points, self._plans, self._like)
        if not points:
            return 0
        fast = self._plans[FAST]
        fast.bridge(max(fast.gap, GAP_START))  # a budget counts requests, not registers
        return len(fast.blocks(self.clock.monotonic_s()))

    @staticmethod
    def _like(points: tuple[Point, ...], *plans: RegisterPlan) -> RegisterPlan:
        """Return a plan for some points that knows what others learned."""
        made = RegisterPlan(points)
        for plan in plans:
            if learned := plan.learned():
                made.recall(learned)
        return made

    @override
    async def probe(self) -> None:
        """Read the smallest block that is polled anyway: no address is asked that the list does not name."""
        now_s = self.clock.monotonic_s()
        blocks = [block for plan in self._plans.values() for block in plan.blocks(now_s)]
        if not blocks:
            return
        try:
            await self._read(min(blocks, key=lambda block: block.count))
        except DeviceRefused as error:
            self.health.failed(error)  # a refusal is an answer: the unit is there

    @override
    async def poll(self, period_s: float) -> None:
        """Read every block of one period."""
        plan = self._plans[period_s]
        now_s = self.clock.monotonic_s()
        waiting, unusable = list(plan.blocks(now_s)), 0
        self._repeat_refusals(plan, now_s)
        while waiting:
            await self.give_way()
            if self.silent:
                return
            block = waiting.pop(0)
            try:
                await self._ask(plan, block)
            except ReplyUnusable as error:
                self.health.failed(error)
                self.emit_bad(_points(block), error.detail)
                unusable += 1
                if unusable >= UNUSABLE_MAX and waiting:
                    raise
        if period_s != FAST:  # its pace was agreed on for so many requests
            plan.bridge(self._cost.gap(plan.gap))
        self.keep(period_s, plan)

    def _repeat_refusals(self, plan: RegisterPlan, now_s: float) -> None:
        refused = plan.refused(now_s)
        for point in self.points:
            if point.name in refused:
                self.emit_bad((point,), refused[point.name])

    async def _ask(self, plan: RegisterPlan, block: Block) -> bool:
        """Read one block and emit it; where an address is refused, find out which. Return whether it came in one piece."""
        try:
            words = await self._read(block)
        except DeviceRefused as error:
            return await self._refused(plan, block, error)
        plan.accept(block)
        self._take(block, words)
        return True

    async def _refused(self, plan: RegisterPlan, block: Block, error: DeviceRefused) -> bool:
        cut = plan.cut(block) if error.code in NOT_THERE else None
        if cut is None:
            self._give_up(plan, block, error)
            return False
        left = await self._ask(plan, cut.left)
        right = await self._ask(plan, cut.right)
        if left and right:
            plan.learn(block, cut)
        return False

    def _give_up(self, plan: RegisterPlan, block: Block, error: DeviceRefused) -> None:
        self.health.failed(error)
        if error.code in BUSY:
            self.emit_silent(_points(block), error.detail)
            return
        if error.code in NOT_THERE:
            plan.refuse(block, self.clock.monotonic_s(), error.detail)
        self.emit_bad(_points(block), error.detail)

    async def _read(self, block: Block) -> list[int]:
        device = self.device
        await self._budget()
        begin_s = self.clock.monotonic_s()
        words = await self._reader.read(
            device.id,
            device.unit,
            block.table,
            block.first,
            block.count,
            within_s=device.timeout_s,
            trace=self.health.trace,
        )
        registers = -(-block.count // BITS_PER_REGISTER[block.table])
        self._cost.took(registers, (self.clock.monotonic_s() - begin_s) / self.clock.speed)
        return words

    def _take(self, block: Block, words: list[int]) -> None:
        at_ms, decode, start = self.clock.now_ms(), self._decode, block.first
        self.emit(
            {
                (name := point.name): reading_of(point, decode[name](words[first - start : end - start]), at_ms)
                for first, end, point in block.spans
            }
        )

    @override
    def plan(self) -> dict[str, Any]:
        """Return blocks and learned holes per period."""
        usual = {period_s: plan for period_s, plan in self._plans.items() if period_s != FAST}
        return {"plans": [{"period_s": period_s, **plan.as_dict()} for period_s, plan in usual.items()]}


def _points(block: Block) -> list[Point]:
    return [span.point for span in block.spans]
