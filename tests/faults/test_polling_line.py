"""Pace of one line: what is due first goes first, late cycles are skipped, a dead unit does not starve the others."""

from __future__ import annotations

import asyncio
import itertools
import logging
from collections.abc import AsyncIterator, Sequence
from contextlib import asynccontextmanager
from typing import Any

import pytest
from typing_extensions import override

from plantview.clock import ManualClock
from plantview.errors import DeviceSilent, DeviceUnreachable, DriverError
from plantview.model.plant import Device
from plantview.polling.line import INTERNAL, Line
from plantview.polling.pace import Turn, first_due_s, probe_cap_s, probe_delay_s
from plantview.polling.station import Station
from tests.faults.polled import Outcomes, register_point


class Scripted(Station):
    """A station that takes as long as it is told, and fails while ``fault`` is set."""

    def __init__(
        self, name: str, clock: ManualClock, outcomes: Outcomes, *, period_s: float = 5.0, takes_s: float = 0.0
    ) -> None:
        device = Device(name, "modbus", "127.0.0.1", 502, 1, period_s, 2.0, name)
        super().__init__(device, [register_point(name, device, "holding 1")], clock, outcomes.take)
        self.takes_s, self.fault_takes_s = takes_s, 0.0
        self.fault: Exception | None = None
        self.polled_s: list[float] = []
        self.probed_s: list[float] = []

    @override
    async def probe(self) -> None:
        self.probed_s.append(self.clock.monotonic_s())
        await self._exchange()

    @override
    async def poll(self, period_s: float) -> None:
        self.polled_s.append(self.clock.monotonic_s())
        await self._exchange()

    async def _exchange(self) -> None:
        takes_s = self.fault_takes_s if self.fault else self.takes_s
        if takes_s:
            await self.clock.sleep(takes_s)
        if self.fault:
            raise self.fault

    @override
    def plan(self) -> dict[str, Any]:
        return {}


SILENT = DeviceSilent("U", "no answer in 2 s")


@asynccontextmanager
async def _running(stations: Sequence[Scripted], clock: ManualClock) -> AsyncIterator[None]:
    task = asyncio.create_task(Line(stations, clock, range(len(stations)), len(stations)).run())
    try:
        yield
    finally:
        task.cancel()
        await asyncio.gather(task, return_exceptions=True)


async def test_cycles_keep_their_phase_and_devices_are_spread_over_the_period() -> None:
    clock, outcomes = ManualClock(), Outcomes()
    first, second = Scripted("A", clock, outcomes), Scripted("B", clock, outcomes, takes_s=1.0)
    async with _running((first, second), clock):
        await clock.advance(21)
    assert first.polled_s == [0.0, 5.0, 10.0, 15.0, 20.0]
    assert second.polled_s == [2.5, 7.5, 12.5, 17.5]


async def test_late_cycles_are_skipped_and_counted_never_queued() -> None:
    clock, outcomes = ManualClock(), Outcomes()
    slow = Scripted("A", clock, outcomes, takes_s=12.0)
    async with _running((slow,), clock):
        await clock.advance(32)
    assert slow.polled_s == [0.0, 15.0, 30.0]
    assert slow.health.skipped == 4
    assert slow.health.cycle_ms == 12_000


async def test_a_lone_silent_device_is_probed_once_per_period_and_is_back_within_two() -> None:
    clock, outcomes = ManualClock(), Outcomes()
    device = Scripted("A", clock, outcomes)
    async with _running((device,), clock):
        await clock.advance(5.5)
        device.fault, device.fault_takes_s = SILENT, 3.0
        await clock.advance(120)
        assert device.health.state == "silent"
        assert max(later - earlier for earlier, later in itertools.pairwise(device.probed_s[2:])) <= 5.0
        device.fault, polls = None, len(device.polled_s)
        await clock.advance(10)
        assert len(device.polled_s) > polls
        assert device.health.state != "silent"
    assert "no answer in 2 s" in outcomes.why("A")


async def test_a_dead_unit_whose_probe_would_delay_the_others_is_asked_at_1_2_4_up_to_60_seconds() -> None:
    clock, outcomes = ManualClock(), Outcomes()
    dead, well = Scripted("A", clock, outcomes, period_s=1.0), Scripted("B", clock, outcomes, period_s=1.0)
    dead.fault, dead.fault_takes_s = SILENT, 0.9
    async with _running((dead, well), clock):
        await clock.advance(300)
    starts = [dead.polled_s[0], *dead.probed_s]
    waits = [later - earlier for earlier, later in itertools.pairwise(starts)]
    assert waits[:7] == pytest.approx([1, 2, 4, 8, 16, 32, 60], abs=1.0)
    assert waits[7:] == pytest.approx([60] * len(waits[7:]), abs=1.0)
    assert len(dead.polled_s) == 1, "a silent unit is probed, not polled"


@pytest.mark.parametrize("dead_units", [1, 3])
async def test_dead_units_cost_their_neighbours_no_cycle_and_return_when_they_are_back(dead_units: int) -> None:
    clock, outcomes = ManualClock(), Outcomes()
    well = Scripted("W", clock, outcomes, takes_s=0.2)
    dead = [Scripted(f"D{number}", clock, outcomes, takes_s=0.2) for number in range(dead_units)]
    for one in dead:
        one.fault, one.fault_takes_s = SILENT, 2.0
    async with _running((well, *dead), clock):
        await clock.advance(120)
        assert len(well.polled_s) >= 0.95 * 120 / 5
        for one in dead:
            one.fault = None
        await clock.advance(60)
        assert all(one.polled_s[-1] > 130 for one in dead)


async def test_with_the_gateway_gone_its_units_share_one_probe_and_all_return_with_it() -> None:
    clock, outcomes = ManualClock(), Outcomes()
    units = [Scripted(f"U{number}", clock, outcomes) for number in range(4)]
    async with _running(units, clock):
        await clock.advance(6)
        for one in units:
            one.fault = DeviceUnreachable(one.device.id, "no connection to 127.0.0.1:502")
        await clock.advance(60)
        assert all(one.health.state == "silent" for one in units)
        assert all("no connection" in outcomes.why(one.device.id) for one in units)
        assert sum(len(one.probed_s) + len(one.polled_s) for one in units) < 4 * 2 + 25, (
            "one probe per step, not one per unit"
        )
        for one in units:
            one.fault = None
        polls = [len(one.polled_s) for one in units]
        await clock.advance(10)
        assert all(len(one.polled_s) > before for one, before in zip(units, polls, strict=True))


async def test_back_off_counts_real_seconds_when_the_plant_runs_faster() -> None:
    clock, outcomes = ManualClock(), Outcomes()
    clock.speed = 60.0
    device = Scripted("A", clock, outcomes, period_s=600.0)
    device.fault = SILENT
    async with _running((device,), clock):
        await clock.advance(600)
    assert device.probed_s[:3] == [60.0, 180.0, 420.0]  # 1, 2 and 4 real seconds of 60 plant seconds each


async def test_our_own_mistake_makes_points_bad_is_logged_and_stops_nobody(caplog: pytest.LogCaptureFixture) -> None:
    clock, outcomes = ManualClock(), Outcomes()
    faulty, well = Scripted("A", clock, outcomes), Scripted("B", clock, outcomes)
    faulty.fault = ZeroDivisionError("ours")
    with caplog.at_level(logging.ERROR):
        async with _running((faulty, well), clock):
            await clock.advance(21)
    assert outcomes.why("A") == INTERNAL
    assert len(well.polled_s) == 4
    assert len(faulty.polled_s) == 5
    assert "ours" in caplog.text


async def test_a_device_that_fails_each_cycle_but_answers_its_probes_is_still_backed_off() -> None:
    clock, outcomes = ManualClock(), Outcomes()
    device = Scripted("A", clock, outcomes)

    async def answers() -> None:
        device.probed_s.append(clock.monotonic_s())

    device.probe = answers  # type: ignore[method-assign]
    device.fault = SILENT
    async with _running((device,), clock):
        await clock.advance(60)
    assert len(device.polled_s) <= 60 / 5 + 3


@pytest.mark.parametrize(
    ("turn", "now_s", "skipped", "due_s"),
    [
        (Turn(5.0, 10.0), 10.1, 0, 15.0),
        (Turn(5.0, 10.0), 14.999, 0, 15.0),
        (Turn(5.0, 10.0), 15.0, 1, 20.0),
        (Turn(5.0, 10.0), 31.0, 4, 35.0),
    ],
)
def test_a_turn_moves_to_the_next_due_time_ahead(turn: Turn, now_s: float, skipped: int, due_s: float) -> None:
    assert (turn.done(now_s), turn.due_s) == (skipped, due_s)


def test_figures_of_pace() -> None:
    assert [first_due_s(100.0, 6.0, place, 3) for place in range(3)] == [100.0, 102.0, 104.0]
    assert [probe_delay_s(failures, 60.0) for failures in range(1, 9)] == [1, 2, 4, 8, 16, 32, 60, 60]
    assert probe_delay_s(10_000, 5.0) == 5.0
    assert probe_cap_s(5.0, 0.01, 1, 5.0) == 5.0
    assert probe_cap_s(5.0, 2.0, 3, 5.0) == 18.0
    assert probe_cap_s(1.0, 1.5, 1, 1.0) == 60.0


def test_every_driver_error_is_counted_under_its_own_name() -> None:
    clock, outcomes = ManualClock(), Outcomes()
    station = Scripted("A", clock, outcomes)
    kinds = DriverError.__subclasses__()
    for kind in kinds:
        station.health.failed(kind("A", "why"))
    assert "other" not in station.health.failures
    assert station.health.failures.total() == len(kinds) == len(station.health.failures)
