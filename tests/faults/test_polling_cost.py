"""Gaps between registers are bridged as far as it was measured to pay, unit by unit, within bounds, over a restart."""

from __future__ import annotations

import random
from pathlib import Path

import pytest

from plantview.clock import ManualClock
from plantview.drivers.exchange import Trace, ignore
from plantview.polling.memory import Memory
from plantview.polling.modbus_station import ModbusStation
from plantview.polling.outlets import Outlets
from plantview.polling.request_cost import GAP_MAX, GAP_MIN, GAP_START, RequestCost
from tests.faults.polled import Outcomes, modbus_device, register_point

DEVICE = modbus_device("U", 502, 1)
BAUD = 9_600


def serial_s(registers: int, *, turnaround_s: float = 0.004) -> float:
    """Return how long one read takes on a serial line at 9600 baud, 8E1.

    11 bits a character; 8 characters of request, 5 + 2 a register of answer, 3.5 of silence before each
    (MODBUS over Serial Line V1.02 clauses 2.5.1 and 2.5.2); the turnaround is an assumption.
    """
    characters = 8 + 5 + 2 * registers + 2 * 3.5
    return characters * 11 / BAUD + turnaround_s


@pytest.mark.parametrize(
    ("request_s", "register_s", "gap"),
    [
        (0.030, 0.001, 30),  # the ratio itself
        (0.050, 0.000_01, GAP_MAX),  # far away, but fast: as far as is allowed
        (0.000_5, 0.002, GAP_MIN),  # next door, but slow over each register
        (0.018, 0.001, GAP_START),  # hardly another than before: left alone
        (0.0, 0.002, GAP_MIN),
        (0.0, 0.0, GAP_START),  # nothing measured
    ],
)
def test_the_gap_is_the_cost_of_a_request_in_registers_within_bounds(
    request_s: float, register_s: float, gap: int
) -> None:
    cost = RequestCost()
    for _ in range(9):
        for count in (2, 20, 60):
            cost.took(count, request_s + register_s * count)
    assert cost.gap(GAP_START) == gap


def test_requests_of_nearly_one_length_say_nothing_about_a_register() -> None:
    cost = RequestCost()
    for _ in range(9):
        cost.took(10, 0.01)
        cost.took(16, 0.04)
    assert cost.line() is None
    assert cost.gap(GAP_START) == GAP_START


def test_a_few_late_answers_do_not_move_the_limit() -> None:
    luck = random.Random(7)
    cost = RequestCost()
    for _ in range(9):
        for count in (2, 20, 60):
            late_s = 0.5 if luck.random() < 0.2 else luck.uniform(0.0, 0.001)
            cost.took(count, serial_s(count) + late_s)
    exact = (serial_s(0)) / (serial_s(1) - serial_s(0))
    request_s, register_s = cost.line() or (0.0, 1.0)
    assert request_s / register_s == pytest.approx(exact, rel=0.2)


def test_what_is_kept_of_a_unit_is_bounded() -> None:
    cost = RequestCost()
    for count in range(1, 126):
        for _ in range(20):
            cost.took(count, serial_s(count))
    assert sum(len(times) for times in cost._times.values()) <= 12 * 9


class Distant:
    """Stands where the Modbus reader stands; an answer takes its time on a clock that is moved by hand."""

    def __init__(self, clock: ManualClock, request_s: float, register_s: float) -> None:
        self._clock, self._request_s, self._register_s = clock, request_s, register_s
        self.counts: list[int] = []

    async def read(
        self, device: str, unit: int, table: str, first: int, count: int, *, within_s: float, trace: Trace = ignore
    ) -> list[int]:
        self.counts.append(count)
        self._clock._move(self._clock.monotonic_s() + self._request_s + self._register_s * count)
        return [0] * count


POINTS = [register_point(f"P{first}", DEVICE, f"holding {first}") for first in (*range(30), 60, 61, 110, 150, 200)]


async def _cycle_s(station: ModbusStation, clock: ManualClock) -> float:
    begin_s = clock.monotonic_s()
    await station.poll(DEVICE.period_s)
    return clock.monotonic_s() - begin_s


async def test_behind_a_slow_link_fewer_longer_requests_are_made_and_the_cycle_is_shorter() -> None:
    clock = ManualClock()
    reader = Distant(clock, request_s=0.080, register_s=0.000_5)
    station = ModbusStation(DEVICE, POINTS, reader, clock, Outcomes().take)  # type: ignore[arg-type]
    before_s = await _cycle_s(station, clock)
    before = len(reader.counts)
    for _ in range(10):
        await station.poll(DEVICE.period_s)
    reader.counts.clear()
    after_s = await _cycle_s(station, clock)
    assert (before, len(reader.counts)) == (5, 2)
    assert after_s < 0.6 * before_s
    assert station.plan()["plans"][0]["learned"]["gap"] == GAP_MAX


async def test_a_unit_that_is_slow_over_each_register_is_asked_around_its_gaps() -> None:
    clock = ManualClock()
    points = [register_point(f"P{first}", DEVICE, f"holding {first}") for first in (*range(20), 34, 48, 90)]
    reader = Distant(clock, request_s=0.004, register_s=0.002)
    station = ModbusStation(DEVICE, points, reader, clock, Outcomes().take)  # type: ignore[arg-type]
    before_s = await _cycle_s(station, clock)
    for _ in range(10):
        await station.poll(DEVICE.period_s)
    assert await _cycle_s(station, clock) < 0.7 * before_s
    assert station.plan()["plans"][0]["learned"]["gap"] == 2


async def test_the_limit_outlives_a_restart_and_a_senseless_one_is_put_within_bounds(tmp_path: Path) -> None:
    clock, file = ManualClock(), tmp_path / "limits.json"

    def station() -> ModbusStation:
        reader = Distant(clock, request_s=0.080, register_s=0.000_5)
        return ModbusStation(
            DEVICE, POINTS, reader, clock, Outcomes().take, Outlets(memory=Memory(file, clock)),  # type: ignore[arg-type]
        )  # fmt: skip

    first = station()
    for _ in range(10):
        await first.poll(DEVICE.period_s)
    assert station().plan()["plans"][0]["requests_per_cycle"] == 2
    file.write_text(file.read_text(encoding="utf-8").replace('"gap": 100', '"gap": 100000'), encoding="utf-8")
    assert station().plan()["plans"][0]["learned"]["gap"] == GAP_MAX
