"""The fast group: chosen points at a second, within every budget, the usual polling beside it, and back again."""

from __future__ import annotations

import asyncio
import dataclasses
from collections.abc import Sequence
from typing import Any

import pytest
from typing_extensions import override

from plantview.clock import ManualClock, SystemClock
from plantview.errors import DeviceSilent
from plantview.model.plant import Device
from plantview.polling.bacnet_station import BacnetStation
from plantview.polling.fast import quicken
from plantview.polling.health import SILENT
from plantview.polling.line import Line
from plantview.polling.modbus_station import ModbusStation
from plantview.polling.request_cost import GAP_MIN
from plantview.polling.station import FAST, Station
from tests.faults.bacnet_device import honest, serving
from tests.faults.polled import Outcomes, bacnet_device, object_point, plant_of, polling, register_point


class Counted(Station):
    """A station whose cycles take so many requests and no time."""

    def __init__(self, device: Device, clock: ManualClock, *, usual: int = 1, fast: int = 1) -> None:
        points = [register_point(f"{device.id}{number}", device, f"holding {number}") for number in range(3)]
        super().__init__(device, points, clock, Outcomes().take)
        self.usual, self.fast = usual, fast
        self.asked: list[tuple[float, float]] = []

    @override
    async def probe(self) -> None: ...

    @override
    async def poll(self, period_s: float) -> None:
        self.asked.append((self.clock.monotonic_s(), period_s))

    @override
    def quicken(self, points: tuple[Any, ...]) -> int:
        return self.fast if points else 0

    @override
    def plan(self) -> dict[str, Any]:
        return {"plans": [{"period_s": 5.0, "requests_per_cycle": self.usual}]}


def device(name: str, protocol: str = "modbus", **more: Any) -> Device:
    return dataclasses.replace(Device(name, protocol, "127.0.0.1", 502, 1, 5.0, 2.0, name), **more)


def line_of(clock: ManualClock, stations: Sequence[Station]) -> Line:
    return Line(stations, clock, range(len(stations)), len(stations))


async def test_chosen_points_are_polled_fast_the_others_as_before_and_all_as_before_when_it_ends() -> None:
    clock = ManualClock()
    one = Counted(device("A"), clock)
    line = line_of(clock, [one])
    running = asyncio.create_task(line.run())
    await clock.advance(11)
    assert [at for at, _ in one.asked] == [0.0, 5.0, 10.0]
    assert quicken([line], ["A0.power"], 1.0).period_s == {"A0.power": 0.5}
    await clock.advance(10)
    fast = [at for at, period in one.asked if period == FAST]
    assert [at for at, period in one.asked if period != FAST] == [0.0, 5.0, 10.0, 15.0, 20.0]
    assert fast[-1] - fast[0] == pytest.approx(0.5 * (len(fast) - 1))
    assert len(fast) >= 10
    quicken([line], [], 1.0)
    one.asked.clear()
    await clock.advance(10)
    assert {period for _, period in one.asked} == {5.0}
    running.cancel()
    await asyncio.gather(running, return_exceptions=True)


@pytest.mark.parametrize(
    ("made", "fast", "period_s", "why"),
    [
        (device("A"), 4, 0.5, ""),
        (device("A"), 5, 1.0, ""),
        (device("A"), 10, 0.0, "10.2 times a second with its usual polling, and 10 is its budget"),
        (device("A", requests_per_s=3.0), 2, 1.0, ""),
        (device("A", requests_per_s=3.0), 3, 0.0, "and 3 is its budget"),
        (device("A", "bacnet"), 9, 1.0, ""),
        (device("A", "bacnet", network=7, mac="05"), 1, 1.0, ""),
        (device("A", "bacnet", network=7, mac="05"), 2, 0.0, "and 2 is its budget"),
    ],
)
def test_no_device_is_asked_beyond_its_budget(made: Device, fast: int, period_s: float, why: str) -> None:
    clock = ManualClock()
    found = quicken([line_of(clock, [Counted(made, clock, fast=fast)])], ["A0.power"], 1.0)
    assert found.period_s == ({"A0.power": period_s} if period_s else {})
    assert why in found.refused.get("A", "")
    assert bool(found.refused) == bool(why)


def test_units_of_one_gateway_share_its_budget() -> None:
    clock = ManualClock()
    units = [Counted(device(name), clock, fast=4) for name in "AB"]
    found = quicken([line_of(clock, units)], ["A0.power", "B0.power"], 1.0)
    assert found.period_s == {"A0.power": 0.5}
    assert "B would be asked 12.4 times a second" in found.refused["B"]


def test_a_plant_that_runs_faster_than_life_is_not_asked_faster_than_life_allows() -> None:
    clock = ManualClock()
    found = quicken([line_of(clock, [Counted(device("A"), clock, fast=1)])], ["A0.power"], 20.0)
    assert "A" in found.refused


def test_a_silent_device_is_refused_by_name() -> None:
    clock = ManualClock()
    one = Counted(device("A"), clock)
    one.silent = True
    assert quicken([line_of(clock, [one])], ["A0.power"], 1.0).refused == {"A": "A does not answer at present"}


def test_twenty_registers_that_lie_together_are_one_request_and_fit_at_half_a_second() -> None:
    clock, meter = ManualClock(), device("M")
    points = [register_point(f"P{number}", meter, f"holding {number}") for number in range(20)]
    station = ModbusStation(meter, points, None, clock, Outcomes().take)  # type: ignore[arg-type] # nothing is read
    found = quicken([line_of(clock, [station])], [point.name for point in points], 1.0)
    assert set(found.period_s.values()) == {0.5}
    assert len(found.period_s) == 20


async def test_a_bacnet_device_is_read_at_a_second_and_nothing_else_of_it() -> None:
    async with serving(honest) as answering:
        here = bacnet_device("HERE", answering.port, 77, period_s=5.0)
        points = [object_point("A", here, "analog-input,1"), object_point("B", here, "analog-input,2")]
        async with polling(plant_of([here], points), SystemClock()) as (running, outcomes):
            await outcomes.until(lambda seen: len(seen.told) == 2)
            station = running._lines[0].stations[0]
            assert isinstance(station, BacnetStation)
            assert running.quicken(["A.power"]).period_s == {"A.power": 1.0}
            await outcomes.until(lambda seen: seen.told["A.power"] >= 2)  # at once, not with the next usual cycle
            assert outcomes.told["B.power"] == 1
            assert set(station._plans) == {5.0, FAST}
            values = [one.asked for one in answering.asked if any(prop == 85 for _, prop in one.asked)]
            assert values[-1] == ((1, 85), (1, 111)), "one request, for the value and flags of the chosen point alone"


class InPieces(Counted):
    """A station whose usual cycle takes several requests, each of them long."""

    @override
    async def poll(self, period_s: float) -> None:
        self.asked.append((self.clock.monotonic_s(), period_s))
        for _ in range(1 if period_s == FAST else 6):
            await self.give_way()
            await self.clock.sleep(0.01 if period_s == FAST else 0.2)


async def test_a_long_cycle_lets_the_fast_group_of_its_path_go_first() -> None:
    clock = ManualClock()
    units = [InPieces(device(name), clock, usual=6) for name in "AB"]
    line = line_of(clock, units)
    running = asyncio.create_task(line.run())
    await clock.advance(20)
    assert quicken([line], ["A0.power"], 1.0).period_s == {"A0.power": 1.0}
    units[0].asked.clear()
    await clock.advance(20)
    fast = [at for at, period in units[0].asked if period == FAST]
    late = [at - (20.0 + number) for number, at in enumerate(fast)]
    assert len(fast) >= 20
    assert max(late) <= 0.22, "late by one request of another at most"
    assert sum(period == 5.0 for _, period in units[0].asked) == 4, "the usual cycle goes on"
    assert line.busy() == pytest.approx(2 * 1.2 / 5 + 0.01 / 2, rel=0.1), "no time is counted twice"
    running.cancel()
    await asyncio.gather(running, return_exceptions=True)


async def test_a_device_that_falls_silent_in_its_fast_group_is_left_alone_in_its_usual_cycle_too() -> None:
    clock = ManualClock()
    lost: list[float] = []

    class Lost(InPieces):
        @override
        async def poll(self, period_s: float) -> None:
            if period_s == FAST:
                lost.append(self.clock.monotonic_s())
                raise DeviceSilent(self.device.id, "no answer")
            await super().poll(period_s)

    one = Lost(device("A"), clock)
    line = line_of(clock, [one])
    running = asyncio.create_task(line.run())
    await clock.advance(1)
    quicken([line], ["A0.power"], 1.0)
    await clock.advance(1)
    assert len(lost) == 1
    assert one.health.state == SILENT
    running.cancel()
    await asyncio.gather(running, return_exceptions=True)


async def test_a_point_of_the_fast_group_is_not_asked_in_its_usual_cycle_as_well_until_it_ends() -> None:
    async with serving(honest) as answering:
        here = bacnet_device("HERE", answering.port, 77, period_s=5.0)
        points = [object_point("A", here, "analog-input,1"), object_point("B", here, "analog-input,2")]
        async with polling(plant_of([here], points), SystemClock()) as (running, outcomes):
            await outcomes.until(lambda seen: len(seen.told) == 2)
            station = running._lines[0].stations[0]
            assert isinstance(station, BacnetStation)
            running.quicken(["A.power"])
            await outcomes.until(lambda seen: seen.told["A.power"] >= 2)
            assert [len(batch.keys) for batch in station._plans[5.0].batches(0.0)] == [1]
            assert [len(batch.keys) for batch in station._plans[FAST].batches(0.0)] == [1]
            running.quicken([])
            assert [len(batch.keys) for batch in station._plans[5.0].batches(0.0)] == [2]


def test_registers_of_the_fast_group_leave_the_usual_blocks_and_come_back() -> None:
    clock, meter = ManualClock(), device("M")
    points = [register_point(f"P{number}", meter, f"holding {number}") for number in range(20)]
    station = ModbusStation(meter, points, None, clock, Outcomes().take)  # type: ignore[arg-type] # nothing is read
    station.quicken(tuple(points[:15]))
    (block,) = station._plans[5.0].blocks(0.0)
    assert [span.point.name for span in block.spans] == [point.name for point in points[15:]]
    station.quicken(())
    (block,) = station._plans[5.0].blocks(0.0)
    assert len(block.spans) == 20


async def test_the_fast_group_keeps_to_the_requests_that_its_pace_was_agreed_on_whatever_its_usual_cycle_learns() -> (
    None
):
    clock, meter = ManualClock(), device("M")
    points = [register_point(f"P{number}", meter, f"holding {number * 10}") for number in range(4)]
    asked: list[tuple[int, int]] = []

    class Registers:
        async def read(self, _device: str, _unit: int, _table: str, first: int, count: int, **_: Any) -> list[int]:
            asked.append((first, count))
            await clock.sleep(0.01)
            return [0] * count

    station = ModbusStation(meter, points, Registers(), clock, Outcomes().take)  # type: ignore[arg-type]
    station._plans[5.0].bridge(GAP_MIN)  # its usual polling asks around its gaps
    assert station.quicken(tuple(points)) == 1
    station._cost.gap = lambda _known: GAP_MIN  # type: ignore[assignment] # and goes on to find that better
    for _ in range(3):
        polling_once = asyncio.create_task(station.poll(FAST))
        await clock.advance(1)
        await polling_once
    assert asked == [(0, 31)] * 3


def test_holes_that_the_usual_cycle_found_count_for_the_fast_group_and_are_known_again_when_it_ends() -> None:
    clock, meter = ManualClock(), device("M")
    points = [register_point(f"P{number}", meter, f"holding {number * 10}") for number in range(4)]
    station = ModbusStation(meter, points, None, clock, Outcomes().take)  # type: ignore[arg-type] # nothing is read
    station._plans[5.0].recall({"holes": [["holding", 10], ["holding", 30]]})
    assert len(station._plans[5.0].blocks(0.0)) == 3
    assert station.quicken(tuple(points)) == 3, "all of its points: the usual cycle has none left"
    station.quicken(())
    assert len(station._plans[5.0].blocks(0.0)) == 3
