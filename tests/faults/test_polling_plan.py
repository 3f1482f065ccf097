"""Blocks of registers: bounded, never a point in two, holes found in one sweep; batches of objects by formula."""

from __future__ import annotations

import asyncio

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from plantview.clock import ManualClock
from plantview.drivers.bacnet_reader import Limits
from plantview.drivers.exchange import Trace, ignore
from plantview.errors import DeviceRefused
from plantview.model.point import Point
from plantview.model.quality import Quality
from plantview.polling.modbus_station import ModbusStation
from plantview.polling.object_plan import ObjectPlan
from plantview.polling.register_plan import RegisterPlan
from tests.faults.polled import Outcomes, bacnet_device, modbus_device, object_point, register_point

DEVICE = modbus_device("U", 502, 1)


class Registers:
    """Stands where the Modbus reader stands: registers hold their address, some do not exist."""

    def __init__(self, missing: set[int], most: int = 125) -> None:
        self.missing, self.most = missing, most
        self.asked: list[tuple[int, int]] = []
        self.refused = 0

    async def read(
        self, device: str, unit: int, table: str, first: int, count: int, *, within_s: float, trace: Trace = ignore
    ) -> list[int]:
        self.asked.append((first, count))
        if count > self.most or self.missing & set(range(first, first + count)):
            self.refused += 1
            raise DeviceRefused(device, "refused by the device: exception 2, illegal data address", code="2")
        return [word % 65_536 for word in range(first, first + count)]


def _sweeps(points: list[Point], registers: Registers, count: int) -> tuple[Outcomes, list[int]]:
    """Poll so many cycles; return outcomes and the refused requests of each."""

    async def run() -> tuple[Outcomes, list[int]]:
        outcomes, refused = Outcomes(), []
        station = ModbusStation(DEVICE, points, registers, ManualClock(), outcomes.take)  # type: ignore[arg-type]
        for _ in range(count):
            before = registers.refused
            await station.poll(DEVICE.period_s)
            refused.append(registers.refused - before)
        return outcomes, refused

    return asyncio.run(run())


@st.composite
def _maps(draw: st.DrawFn) -> tuple[list[Point], set[int], int]:
    """Return points with gaps, the registers that are missing (in gaps, and under some points), and a size limit."""
    points, missing, at = [], set(), 0
    for _ in range(draw(st.integers(1, 40))):
        gap = draw(st.sampled_from([0, 0, 0, 1, 5, 16, 17, 40]))
        if gap and draw(st.booleans()):
            missing.add(at + draw(st.integers(0, gap - 1)))
        at += gap
        kind = draw(st.sampled_from(["uint16", "uint16", "float32", "float64"]))
        point = register_point(f"P{at}", DEVICE, f"holding {at}", kind)
        if draw(st.integers(0, 9)) == 0:
            missing.add(at)
        points.append(point)
        at += point.address.count  # type: ignore[union-attr]
    return points, missing, draw(st.sampled_from([125, 125, 30, 8]))


def _registers_of(point: Point) -> set[int]:
    address = point.address
    return set(range(address.first, address.first + address.count))  # type: ignore[union-attr]


@settings(max_examples=150, deadline=None)
@given(_maps())
def test_every_point_that_exists_is_served_in_the_first_sweep_and_no_request_is_too_long_or_cuts_a_point(
    drawn: tuple[list[Point], set[int], int],
) -> None:
    points, missing, most = drawn
    registers = Registers(missing, most)
    outcomes, _ = _sweeps(points, registers, 1)
    assert set(outcomes.readings) == {point.name for point in points}
    for point in points:
        exists = not _registers_of(point) & missing
        reading = outcomes.readings[point.name]
        assert ("illegal data address" not in reading.reason) == exists, point.name
    for first, count in registers.asked:
        asked = set(range(first, first + count))
        assert count <= 125
        assert all(_registers_of(point) <= asked or not _registers_of(point) & asked for point in points)


@settings(max_examples=60, deadline=None)
@given(_maps())
def test_learning_ends_and_afterwards_nothing_is_asked_in_vain(drawn: tuple[list[Point], set[int], int]) -> None:
    points, missing, most = drawn
    registers = Registers(missing, most)
    outcomes, refused = _sweeps(points, registers, 12)
    assert refused[-1] == 0
    assert {name for name, one in outcomes.readings.items() if one.quality is Quality.BAD} >= {
        point.name for point in points if _registers_of(point) & missing
    }


@pytest.mark.parametrize(
    ("firsts", "blocks"),
    [
        ([0, 17], [(0, 18)]),  # a gap of 16 is read along
        ([0, 18], [(0, 1), (18, 1)]),  # a gap of 17 is not
        ([0, 16, 32, 48, 64, 80, 96, 112, 124], [(0, 125)]),
        ([0, 16, 32, 48, 64, 80, 96, 112, 125], [(0, 113), (125, 1)]),
    ],
)
def test_gaps_and_the_longest_block(firsts: list[int], blocks: list[tuple[int, int]]) -> None:
    plan = RegisterPlan([register_point(f"P{first}", DEVICE, f"holding {first}") for first in firsts])
    assert [(block.first, block.count) for block in plan.blocks(0.0)] == blocks


def test_tables_are_never_mixed_and_bits_go_up_to_two_thousand() -> None:
    points = [register_point(f"C{first}", DEVICE, f"coil {first}", "bit:0") for first in range(0, 2_100, 100)]
    points += [register_point("I", DEVICE, "input 0"), register_point("H", DEVICE, "holding 0")]
    blocks = RegisterPlan(points).blocks(0.0)
    assert sorted((block.table, block.count) for block in blocks) == [
        ("coil", 1),
        ("coil", 1_901),
        ("holding", 1),
        ("input", 1),
    ]


def test_a_refused_point_is_asked_again_alone_after_an_hour_and_taken_back_when_it_exists() -> None:
    registers = Registers({105})
    points = [register_point(f"P{first}", DEVICE, f"holding {first}") for first in range(100, 110)]

    async def run() -> None:
        clock, outcomes = ManualClock(), Outcomes()
        station = ModbusStation(DEVICE, points, registers, clock, outcomes.take)  # type: ignore[arg-type]
        await station.poll(DEVICE.period_s)
        registers.missing.clear()
        await clock.advance(3_599)
        await station.poll(DEVICE.period_s)
        assert outcomes.readings["P105.power"].quality is Quality.BAD
        await clock.advance(2)
        registers.asked.clear()
        await station.poll(DEVICE.period_s)
        assert (105, 1) in registers.asked
        assert outcomes.readings["P105.power"].value == 105.0
        registers.asked.clear()
        await station.poll(DEVICE.period_s)
        assert sum(count for _, count in registers.asked) == 10

    asyncio.run(run())


@pytest.mark.parametrize(
    ("max_apdu", "objects"),
    [
        # Objects with present-value and status-flags that fit one answer, as measured against an independent
        # C implementation of the standard at these sizes: 64, 44, 20, 8, 5 and 2.
        (1476, 64),
        (1024, 44),
        (480, 20),
        (206, 8),
        (128, 5),
        (50, 2),
    ],
)
def test_objects_per_request_by_the_size_of_an_answer(max_apdu: int, objects: int) -> None:
    assert Limits(max_apdu, "no-segmentation").objects == objects


def test_batches_are_even_complete_and_within_the_limit() -> None:
    device = bacnet_device("B", 1, 1)
    plan = ObjectPlan([object_point(f"P{number}", device, f"analog-input,{number}") for number in range(100)])
    plan.take_limits(Limits(1476, "no-segmentation"))
    assert [len(batch.keys) for batch in plan.batches(0.0)] == [50, 50]
    plan.shrink(7)
    sizes = [len(batch.keys) for batch in plan.batches(0.0)]
    assert (max(sizes), sum(sizes)) == (7, 100)
    plan.take_limits(Limits(1024, "no-segmentation"))
    assert max(len(batch.keys) for batch in plan.batches(0.0)) == 7, "what was learned the hard way stands"
