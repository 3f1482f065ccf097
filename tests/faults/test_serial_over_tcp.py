"""Serial frames over TCP carry no number: a late answer must never be taken for the answer to the next question."""

from __future__ import annotations

import asyncio
import dataclasses

import pytest

from plantview.clock import SystemClock
from plantview.drivers.modbus_reader import ModbusReader
from plantview.drivers.quiet import QuietLine
from plantview.errors import DeviceRefused, DeviceSilent, DriverError, ReplyUnusable
from plantview.model.quality import Quality
from tests.faults.polled import LOOPBACK, modbus_device, open_sockets, plant_of, polling, register_point
from tests.faults.serial_device import Behaviour, Converter, Request, check_sum, frame, honest, serving

WITHIN_S = 0.3


async def _read(reader: ModbusReader, first: int, *, unit: int = 5) -> list[int]:
    return await reader.read("CH-1", unit, "holding", first, 4, within_s=WITHIN_S)


async def test_serial_frames_are_read_as_served() -> None:
    async with serving(honest) as converter:
        reader = ModbusReader(LOOPBACK, converter.port, "rtu")
        assert await _read(reader, 100) == [100, 101, 102, 103]
        assert await _read(reader, 500) == [500, 501, 502, 503]
        reader.close()


@pytest.mark.parametrize("late_s", [1.3 * WITHIN_S, 1.8 * WITHIN_S])
async def test_one_late_answer_costs_one_read_and_shifts_none(late_s: float) -> None:
    """Without the quiet, every read after the late one gets the answer of the read before it."""

    def late_once(converter: Converter, request: Request) -> tuple[float, bytes]:
        return (late_s if len(converter.asked) == 3 else 0.0), frame(request)

    async with serving(late_once) as converter:
        reader = ModbusReader(LOOPBACK, converter.port, "rtu")
        right = silent = 0
        for first in range(0, 400, 20):
            try:
                assert await _read(reader, first) == list(range(first, first + 4))
                right += 1
            except DeviceSilent:
                silent += 1
        reader.close()
    assert (right, silent) == (19, 1)


async def test_an_answer_later_than_the_quiet_is_noticed_and_the_reads_after_it_are_right_again() -> None:
    def very_late_once(converter: Converter, request: Request) -> tuple[float, bytes]:
        return (2.7 * WITHIN_S if len(converter.asked) == 3 else 0.0), frame(request)

    async with serving(very_late_once) as converter:
        reader = ModbusReader(LOOPBACK, converter.port, "rtu")
        outcomes = [await _outcome(reader, first) for first in range(0, 400, 20)]
        reader.close()
    assert "wrong" not in outcomes
    assert outcomes[-12:] == ["right"] * 12


async def _outcome(reader: ModbusReader, first: int) -> str:
    try:
        return "right" if await _read(reader, first) == list(range(first, first + 4)) else "wrong"
    except DriverError:
        return "failed"


async def test_the_quiet_is_as_long_as_answers_were_ever_late_and_ends_once_the_late_one_came() -> None:
    quiet = QuietLine()
    now_s = asyncio.get_running_loop().time()
    quiet.asked()
    quiet.begin(10.0)
    assert quiet._until_s == pytest.approx(now_s + 10.0, abs=0.1)
    quiet.heard(waited_for=False)
    assert quiet.late == 1
    await asyncio.wait_for(quiet.over(), 1.0)
    quiet.latest_s = 40.0
    quiet.begin(10.0)
    assert quiet._until_s == pytest.approx(now_s + 60.0, abs=1.0)


def says_nothing(converter: Converter, request: Request) -> tuple[float, bytes]:
    return 0.0, b""


def has_a_wrong_check_sum(converter: Converter, request: Request) -> tuple[float, bytes]:
    whole = frame(request)
    return 0.0, whole[:-1] + bytes((whole[-1] ^ 1,))


def sends_half_a_frame(converter: Converter, request: Request) -> tuple[float, bytes]:
    return 0.0, frame(request)[:4]


def answers_as_another_unit(converter: Converter, request: Request) -> tuple[float, bytes]:
    return 0.0, frame(request, unit=request.unit + 1)


def sends_one_register_too_few(converter: Converter, request: Request) -> tuple[float, bytes]:
    return 0.0, frame(request, count=request.count - 1)


def refuses(converter: Converter, request: Request) -> tuple[float, bytes]:
    body = bytes((request.unit, request.function | 0x80, 2))
    return 0.0, body + check_sum(body)


@pytest.mark.parametrize(
    ("behaviour", "kind", "sentence"),
    [
        (says_nothing, DeviceSilent, f"no answer in {WITHIN_S:g} s"),
        (has_a_wrong_check_sum, ReplyUnusable, "wrong check sum"),
        (sends_half_a_frame, ReplyUnusable, "half an answer"),
        (answers_as_another_unit, ReplyUnusable, "an answer of unit 6 to a question to unit 5"),
        (sends_one_register_too_few, ReplyUnusable, "asked for 4 registers, got 3"),
        (refuses, DeviceRefused, "illegal data address"),
    ],
)
async def test_each_failure_has_its_name_and_leaves_nothing_behind(
    behaviour: Behaviour, kind: type[DriverError], sentence: str
) -> None:
    tasks, sockets = len(asyncio.all_tasks()), open_sockets()
    async with serving(behaviour) as converter:
        reader = ModbusReader(LOOPBACK, converter.port, "rtu")
        for _ in range(2):
            with pytest.raises(kind, match=sentence):
                await _read(reader, 100)
        reader.close()
    assert (len(asyncio.all_tasks()), open_sockets()) == (tasks, sockets)


async def test_units_behind_a_converter_are_polled_and_one_dead_unit_leaves_the_others_right() -> None:
    def dead_second(converter: Converter, request: Request) -> tuple[float, bytes]:
        return (0.0, b"") if request.unit == 2 else (0.0, frame(request))

    async with serving(dead_second) as converter:
        devices = [
            dataclasses.replace(modbus_device(f"U{number}", converter.port, number), framer="rtu")
            for number in (1, 2, 3)
        ]
        points = [register_point(f"P{one.unit}", one, f"holding {100 * one.unit}") for one in devices]
        async with polling(plant_of(devices, points), SystemClock()) as (running, outcomes):
            await outcomes.until(
                lambda seen: (
                    seen.told.get("P1.power", 0) >= 3
                    and seen.told.get("P3.power", 0) >= 3
                    and "P2.power" in seen.silent
                )
            )
            for name, value in (("P1", 100.0), ("P3", 300.0)):
                found = outcomes.reading(name)
                assert found is not None
                assert (found.quality, found.value) == (Quality.GOOD, value)
            (row,) = running.networks()
            assert row["name"].startswith("serial frames over TCP 127.0.0.1:")
