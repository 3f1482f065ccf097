"""What a device taught us outlives a restart, fits the plan it was learned for, and never stops the polling."""

from __future__ import annotations

import asyncio
import logging
from pathlib import Path

import pytest

from plantview.clock import Clock, ManualClock, SystemClock
from plantview.model.plant import Plant
from plantview.polling import Polling
from plantview.polling.budget import Allowance, Recent
from plantview.polling.memory import KEPT_FOR_MS, Memory, plan_key
from tests.faults import bacnet_device as bacnet
from tests.faults.modbus_device import Device, Request, exception, honest, serving
from tests.faults.polled import Outcomes, bacnet_device, modbus_device, object_point, plant_of, register_point
from tests.faults.test_bacnet_faults import aborts_above

HOLE = set(range(108, 112))


def with_a_hole(device: Device, request: Request) -> bytes | None:
    touched = HOLE & set(range(request.first, request.first + request.count))
    return (exception(2) if touched else honest)(device, request)


async def _polled(plant: Plant, memory: Path | None, clock: Clock, points: int) -> None:
    """Poll until every point was told twice."""
    outcomes = Outcomes()
    task = asyncio.create_task(Polling(plant, clock, outcomes.take, memory=memory).run())
    try:
        await outcomes.until(lambda seen: len(seen.told) == points and min(seen.told.values()) >= 2)
    finally:
        task.cancel()
        await asyncio.gather(task, return_exceptions=True)


async def test_a_hole_found_before_a_restart_is_never_asked_again(tmp_path: Path) -> None:
    memory = tmp_path / "device-limits.json"
    async with serving(with_a_hole) as device:
        subject = modbus_device("U1", device.port, 1)
        points = [register_point(f"P{first}", subject, f"holding {first}") for first in (100, 102, 104, 114, 116)]
        await _polled(plant_of([subject], points), memory, SystemClock(), 5)
        device.asked.clear()
        await _polled(plant_of([subject], points), memory, SystemClock(), 5)
        assert {(request.first, request.count) for request in device.asked} == {(100, 5), (114, 3)}


async def test_another_list_of_points_learns_for_itself(tmp_path: Path) -> None:
    memory = tmp_path / "device-limits.json"
    async with serving(with_a_hole) as device:
        subject = modbus_device("U1", device.port, 1)
        first = [register_point(f"P{at}", subject, f"holding {at}") for at in (100, 102, 114)]
        await _polled(plant_of([subject], first), memory, SystemClock(), 3)
        device.asked.clear()
        more = [*first, register_point("P116", subject, "holding 116")]
        await _polled(plant_of([subject], more), memory, SystemClock(), 4)
        assert (100, 17) in {(request.first, request.count) for request in device.asked}


async def test_a_size_learned_from_an_abort_outlives_a_restart(tmp_path: Path) -> None:
    memory = tmp_path / "device-limits.json"
    async with bacnet.serving(aborts_above(30), objects=60) as device:
        subject = bacnet_device("BC-1", device.port, 77)
        points = [object_point(f"P{number}", subject, f"analog-input,{number}") for number in range(1, 61)]
        await _polled(plant_of([subject], points), memory, SystemClock(), 60)
        device.asked.clear()
        await _polled(plant_of([subject], points), memory, SystemClock(), 60)
        assert max(len(request.objects) for request in device.asked) <= 30


async def test_nothing_is_written_without_a_file_and_nothing_where_nothing_was_learned(tmp_path: Path) -> None:
    memory = tmp_path / "device-limits.json"
    async with serving(honest) as device:
        subject = modbus_device("U1", device.port, 1)
        plant = plant_of([subject], [register_point("P", subject, "holding 1")])
        await _polled(plant, memory, SystemClock(), 1)
        await _polled(plant, None, SystemClock(), 1)
    assert list(tmp_path.iterdir()) == []


def test_a_lesson_is_forgotten_after_a_month(tmp_path: Path) -> None:
    clock, file = ManualClock(), tmp_path / "m.json"
    Memory(file, clock).keep("a", {"holes": [["holding", 7]]})
    assert Memory(file, clock).recall("a") == {"holes": [["holding", 7]]}
    clock.step(KEPT_FOR_MS / 1_000 + 1)
    late = Memory(file, clock)
    assert late.recall("a") == {}
    late.keep("b", {"objects_max": 3})
    assert "holding" not in file.read_text()


@pytest.mark.parametrize(
    "content",
    [
        "",
        "{",
        "[]",
        '{"schema": 1}',
        '{"schema": 1, "lessons": 5}',
        '{"schema": 9, "lessons": {}}',
        '{"schema": 1, "lessons": {"a": 5}}',
        "\x00\xff",
    ],
)
def test_a_damaged_file_costs_the_lessons_and_nothing_else(tmp_path: Path, content: str) -> None:
    file = tmp_path / "m.json"
    file.write_text(content)
    memory = Memory(file, ManualClock())
    assert memory.recall("a") == {}
    memory.keep("a", {"objects_max": 3})
    assert Memory(file, ManualClock()).recall("a") == {"objects_max": 3}


def test_a_folder_that_cannot_be_written_is_told_and_stops_nobody(
    tmp_path: Path, caplog: pytest.LogCaptureFixture
) -> None:
    memory = Memory(tmp_path / "nowhere" / "m.json", ManualClock())
    with caplog.at_level(logging.WARNING):
        memory.keep("a", {"objects_max": 3})
    assert memory.recall("a") == {"objects_max": 3}
    assert "cannot be kept" in caplog.text


def test_the_name_of_a_plan_changes_with_address_unit_and_points() -> None:
    one, other = modbus_device("U1", 502, 1), modbus_device("U1", 502, 2)
    points = [register_point("P", one, "holding 1")]
    names = {
        plan_key(one, points, 5.0),
        plan_key(other, points, 5.0),
        plan_key(one, points, 1.0),
        plan_key(one, [register_point("P", one, "holding 2")], 5.0),
    }
    assert len(names) == 4


async def test_an_allowance_lets_a_burst_pass_and_spaces_what_follows(monkeypatch: pytest.MonkeyPatch) -> None:
    waits: list[float] = []

    async def note(seconds: float) -> None:
        waits.append(seconds)

    monkeypatch.setattr(asyncio, "sleep", note)
    allowance = Allowance(50.0)
    for _ in range(30):
        await allowance.turn()
    assert 10 <= len(waits) <= 18, "a quarter of a second's worth leaves at once"
    assert waits == sorted(waits)
    assert waits[-1] <= 30 / 50.0 - 0.25


async def test_no_limit_waits_for_nothing() -> None:
    allowance = Allowance(0.0)
    async with asyncio.timeout(1):
        for _ in range(10_000):
            await allowance.turn()


def test_the_recent_sum_forgets_after_a_minute_and_stays_small() -> None:
    now = [0.0]
    recent = Recent(lambda: now[0])
    for second in range(600):
        now[0] = float(second)
        recent.add(3.0)
    assert recent.per_second() == pytest.approx(3.0)
    assert len(recent._pockets) <= 61
    now[0] += 3_600
    assert recent.per_second() == 0.0
