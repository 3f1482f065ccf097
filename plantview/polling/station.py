"""What polling does alike for every device, whatever it speaks."""

from __future__ import annotations

from abc import ABC, abstractmethod
from collections.abc import Awaitable, Callable, Iterable, Mapping
from itertools import groupby
from typing import Any, Final, Protocol, TypeVar

from plantview.clock import Clock
from plantview.drivers.exchange import Budget
from plantview.model.plant import Device
from plantview.model.point import Point
from plantview.model.reading import Batch, Reading, bad
from plantview.polling.health import SILENT, DeviceHealth
from plantview.polling.memory import plan_key
from plantview.polling.outlets import Outlets

Sink = Callable[[Batch], None]
P = TypeVar("P")
GiveWay = Callable[[], Awaitable[None]]
FAST: Final = -1.0
"""Stands for the fast group where a station is told which period's points to poll."""


class Plan(Protocol):
    """What a station learned about its device's limits, as far as it outlives a restart."""

    def learned(self) -> dict[str, Any]: ...
    def recall(self, learned: Mapping[str, Any]) -> None: ...


class Station(ABC):
    """One device as polled: its points by period, its health, and whether it is silent."""

    def __init__(
        self, device: Device, points: Iterable[Point], clock: Clock, sink: Sink, outlets: Outlets | None = None
    ) -> None:
        self.device, self.clock, self._sink = device, clock, sink
        self.outlets = outlets or Outlets()
        self.points = tuple(points)
        self.health = DeviceHealth(device, clock, len(self.points))
        self.silent = False
        """True from a failure on until a probe is answered."""
        self.failures = 0
        """Cycles and probes in a row that failed; 0 after a cycle that was finished."""
        self.probe_due_s = 0.0
        self.unheard_from_ms: int | None = None
        """Last answer before an outage that is over, or still lasts; None once nothing is missing any more."""
        self.waited_s = 0.0
        """How long it waited in all because a budget left it no turn: its path was free meanwhile."""
        self.give_way: GiveWay = _nobody
        """Awaited between two requests of a cycle: lets the fast group of the path go first."""

    def fall_silent(self, due_s: float, why: str) -> None:
        """Leave the device alone but for a probe at ``due_s``."""
        if not self.silent and self.unheard_from_ms is None:
            self.unheard_from_ms = self.health.last_answer_ms
        self.silent, self.probe_due_s, self.health.state = True, due_s, SILENT
        self.emit_silent(self.points, why)

    def metered(self, budget: Budget) -> Budget:
        """Return a budget whose waits are counted."""

        async def turn() -> None:
            begin_s = self.clock.monotonic_s()
            await budget()
            self.waited_s += self.clock.monotonic_s() - begin_s

        return turn

    def recall(self, plans: Mapping[float, Plan]) -> None:
        """Give each plan what was learned for it before a restart."""
        classes = self.classes()
        self._keys = {period_s: plan_key(self.device, classes[period_s], period_s) for period_s in plans}
        for period_s, plan in plans.items():
            plan.recall(self.outlets.memory.recall(self._keys[period_s]))

    def keep(self, period_s: float, plan: Plan) -> None:
        """Keep what a plan has learned; the fast group's is gone with it."""
        if period_s in self._keys:
            self.outlets.memory.keep(self._keys[period_s], plan.learned())

    def classes(self) -> dict[float, tuple[Point, ...]]:
        """Return the points by their period."""
        ordered = sorted(self.points, key=lambda point: point.period_s)
        return {period_s: tuple(group) for period_s, group in groupby(ordered, key=lambda point: point.period_s)}

    def apart(self, chosen: Iterable[Point]) -> dict[float, tuple[Point, ...]]:
        """Return the points by their period without those chosen: asked twice they would come out of step."""
        names = {point.name for point in chosen}
        return {
            period_s: tuple(point for point in points if point.name not in names)
            for period_s, points in self.classes().items()
        }

    def replanned(self, points: tuple[Point, ...], before: Mapping[float, P], like: Callable[..., P]) -> dict[float, P]:
        """Return the plans with a fast group of some points, or without one; ``like`` makes one that knows what others learned."""
        known = [plan for period_s, plan in before.items() if period_s == FAST or not points]
        plans = {period_s: like(group, *known, before[period_s]) for period_s, group in self.apart(points).items()}
        return plans | ({FAST: like(points, *before.values())} if points else {})

    def quicken(self, points: tuple[Point, ...]) -> int:  # noqa: ARG002 - for those that can
        """Set which points ``poll(FAST)`` asks for, none to end it; return how many requests one such cycle takes.

        0 where this kind of device has no fast group.
        """
        return 0

    @abstractmethod
    async def probe(self) -> None:
        """Ask for as little as possible; DeviceSilent or DeviceUnreachable if nothing comes."""

    @abstractmethod
    async def poll(self, period_s: float) -> None:
        """Ask for all points of one period and emit their readings.

        DeviceSilent or DeviceUnreachable as soon as nothing comes; every other failure ends in readings.
        """

    @abstractmethod
    def plan(self) -> dict[str, Any]:
        """Return how the points are asked and what was learned, JSON-able."""

    def emit(self, readings: Mapping[str, Reading], silent: Mapping[str, str] | None = None) -> None:
        """Hand one outcome on."""
        if readings or silent:
            self._sink(Batch(self.clock.now_ms(), readings, silent or {}))

    def emit_bad(self, points: Iterable[Point], why: str) -> None:
        """Say that points have no value, and why."""
        at_ms = self.clock.now_ms()
        self.emit({point.name: bad(why, at_ms) for point in points})

    def emit_silent(self, points: Iterable[Point], why: str) -> None:
        """Say that points were asked for and not answered: their last reading stands and ages."""
        self.emit({}, {point.name: why for point in points})


async def _nobody() -> None:
    """Give way to nobody."""
