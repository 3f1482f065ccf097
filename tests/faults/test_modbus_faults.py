"""Every misbehaviour of a Modbus device ends in its own quality and reason, and disturbs nobody else."""

from __future__ import annotations

import asyncio
import random
import socket

import pytest

from plantview.clock import SystemClock
from plantview.config.ports import free_port
from plantview.drivers.modbus_reader import ModbusReader
from plantview.errors import DeviceRefused, DeviceSilent, DeviceUnreachable, DriverError, ReplyUnusable
from plantview.model.plant import Plant
from plantview.model.quality import Quality
from tests.faults.modbus_device import Behaviour, Device, Request, exception, frame, honest, registers, serving
from tests.faults.polled import (
    LOOPBACK,
    Outcomes,
    modbus_device,
    open_sockets,
    plant_of,
    polling,
    register_point,
)

WITHIN_S = 0.1
GOOD, BAD = Quality.GOOD, Quality.BAD


def says_nothing(device: Device, request: Request) -> bytes:
    return b""


def sends_half_a_frame(device: Device, request: Request) -> bytes:
    return honest(device, request)[:-3]


def closes(device: Device, request: Request) -> None:
    return None


def answers_another_question(device: Device, request: Request) -> bytes:
    return frame(request, registers(request), transaction=request.transaction + 40)


def answers_as_another_unit(device: Device, request: Request) -> bytes:
    return frame(request, registers(request), unit=request.unit + 1)


def speaks_another_protocol(device: Device, request: Request) -> bytes:
    return frame(request, registers(request), protocol=7)


def announces_no_length(device: Device, request: Request) -> bytes:
    return frame(request, registers(request), length=0)


def announces_too_much(device: Device, request: Request) -> bytes:
    return frame(request, registers(request), length=500)


def sends_random_octets(device: Device, request: Request) -> bytes:
    return random.Random(7).randbytes(40)


def answers_with_input_registers(device: Device, request: Request) -> bytes:
    return frame(request, registers(request, function=4))


def echoes_a_write(device: Device, request: Request) -> bytes:
    return frame(request, b"\x06\x00\x64\x00\x2c")


def refuses_another_function(device: Device, request: Request) -> bytes:
    return frame(request, b"\x86\x02")


def sends_one_register_too_few(device: Device, request: Request) -> bytes:
    return frame(request, registers(request, count=request.count - 1))


def sends_two_registers_too_many(device: Device, request: Request) -> bytes:
    return frame(request, registers(request, count=request.count + 2))


def sends_no_register(device: Device, request: Request) -> bytes:
    return frame(request, bytes((request.function, 0)))


def sends_an_odd_octet_count(device: Device, request: Request) -> bytes:
    words = registers(request)[2:-1]
    return frame(request, bytes((request.function, len(words))) + words)


def counts_fewer_octets_than_it_sends(device: Device, request: Request) -> bytes:
    return frame(request, bytes((request.function, 2)) + registers(request)[2:])


def counts_more_octets_than_it_sends(device: Device, request: Request) -> bytes:
    return frame(request, bytes((request.function, 60)) + registers(request)[2:])


def answers_with_an_unknown_function(device: Device, request: Request) -> bytes:
    return frame(request, b"\x65\x01\x02")


def refuses_without_a_code(device: Device, request: Request) -> bytes:
    return frame(request, bytes((request.function | 0x80,)))


def answers_twice(device: Device, request: Request) -> bytes:
    return honest(device, request) * 2


# behaviour, named error of the driver, part of its sentence
ERRORS: list[tuple[Behaviour, type[DriverError], str]] = [
    (says_nothing, DeviceSilent, "no answer in 0.1 s"),
    (answers_another_question, ReplyUnusable, "a question that was not asked"),
    (answers_as_another_unit, ReplyUnusable, "an answer of unit 6 to a question to unit 5"),
    (sends_half_a_frame, ReplyUnusable, "half an answer"),
    (closes, DeviceSilent, "closed without an answer"),
    (speaks_another_protocol, ReplyUnusable, "no Modbus answer"),
    (announces_no_length, ReplyUnusable, "no Modbus answer"),
    (announces_too_much, ReplyUnusable, "no Modbus answer"),
    (sends_random_octets, ReplyUnusable, "no Modbus answer"),
    (answers_with_input_registers, ReplyUnusable, "an answer of function 4 to function 3"),
    (echoes_a_write, ReplyUnusable, "an answer of function 6 to function 3"),
    (refuses_another_function, ReplyUnusable, "an answer of function 6 to function 3"),
    (sends_one_register_too_few, ReplyUnusable, "asked for 4 registers, got 3"),
    (sends_two_registers_too_many, ReplyUnusable, "asked for 4 registers, got 6"),
    (sends_no_register, ReplyUnusable, "asked for 4 registers, got 0"),
    (sends_an_odd_octet_count, ReplyUnusable, ""),
    (counts_fewer_octets_than_it_sends, ReplyUnusable, "asked for 4 registers, got 1"),
    (counts_more_octets_than_it_sends, ReplyUnusable, ""),
    (answers_with_an_unknown_function, ReplyUnusable, "cannot be decoded"),
    (refuses_without_a_code, ReplyUnusable, "cannot be decoded"),
    (exception(1), DeviceRefused, "exception 1, illegal function"),
    (exception(2), DeviceRefused, "exception 2, illegal data address"),
    (exception(4), DeviceRefused, "exception 4, server device failure"),
    (exception(6), DeviceRefused, "exception 6, server device busy"),
    (exception(10), DeviceSilent, "no answer from unit 5: gateway path unavailable"),
    (exception(11), DeviceSilent, "no answer from unit 5: gateway target device failed to respond"),
    (exception(0x41), DeviceRefused, "exception 65, no published meaning"),
]


def _name(row: tuple[Behaviour, type[DriverError], str]) -> str:
    return f"{getattr(row[0], '__name__', '')} {row[2]}".replace("<lambda> ", "")


@pytest.mark.parametrize(("behaviour", "kind", "sentence"), ERRORS, ids=[_name(row) for row in ERRORS])
async def test_the_driver_names_each_failure_within_its_deadline_and_leaves_nothing_behind(
    behaviour: Behaviour, kind: type[DriverError], sentence: str
) -> None:
    tasks, sockets = len(asyncio.all_tasks()), open_sockets()
    async with serving(behaviour) as device:
        reader = ModbusReader(LOOPBACK, device.port)
        try:
            for _ in range(2):  # the second time on the connection as the first failure left it
                async with asyncio.timeout(2.0):
                    with pytest.raises(DriverError) as caught:
                        await reader.read("CH-1", 5, "holding", 100, 4, within_s=WITHIN_S)
                assert (type(caught.value), caught.value.device) == (kind, "CH-1")
                assert sentence in caught.value.detail
        finally:
            reader.close()
        assert {request.function for request in device.asked} == {3}
    assert (len(asyncio.all_tasks()), open_sockets()) == (tasks, sockets)


async def test_a_refused_connection_is_unreachable_and_named_with_its_port() -> None:
    port = free_port(socket.SOCK_STREAM)
    with pytest.raises(DeviceUnreachable, match=f"no connection to {LOOPBACK}:{port}"):
        await ModbusReader(LOOPBACK, port).read("CH-1", 5, "holding", 100, 4, within_s=WITHIN_S)


async def test_an_unknown_host_name_is_unreachable() -> None:
    with pytest.raises(DeviceUnreachable, match=r"no connection to nowhere\.invalid"):
        await ModbusReader("nowhere.invalid", 502).read("CH-1", 5, "holding", 100, 4, within_s=2.0)


async def test_a_late_answer_is_never_taken_for_the_answer_of_the_next_question() -> None:
    held: list[bytes] = []

    def one_behind(device: Device, request: Request) -> bytes:
        before = b"".join(held)
        held[:] = [honest(device, request)]
        return before

    async with serving(one_behind) as device:
        reader = ModbusReader(LOOPBACK, device.port)
        try:
            for first in (100, 200):
                with pytest.raises(DeviceSilent):
                    await reader.read("CH-1", 5, "holding", first, 4, within_s=WITHIN_S)
        finally:
            reader.close()


async def test_a_connection_closed_while_idle_is_opened_again_without_a_failed_read() -> None:
    async with serving(honest) as device:
        reader = ModbusReader(LOOPBACK, device.port)
        try:
            assert await reader.read("CH-1", 5, "holding", 100, 2, within_s=1.0) == [100, 101]
            device.writers[0].close()
            while reader._client is not None and reader._client.connected:  # noqa: ASYNC110 - until the FIN arrived
                await asyncio.sleep(0.001)
            assert await reader.read("CH-1", 5, "holding", 102, 2, within_s=1.0) == [102, 103]
        finally:
            reader.close()
        assert device.links == 2


async def test_a_cancellation_in_the_same_turn_as_the_answer_is_not_lost(monkeypatch: pytest.MonkeyPatch) -> None:
    """Before Python 3.12 wait_for hands the answer over and forgets that it was cancelled: a stop would not stop."""
    async with serving(honest) as device:
        reader = ModbusReader(LOOPBACK, device.port)
        keep = ModbusReader._keep

        def cancel_on_answer(self: ModbusReader, sending: bool, octets: bytes) -> bytes:
            if not sending:
                task.cancel()
            return keep(self, sending, octets)

        monkeypatch.setattr(ModbusReader, "_keep", cancel_on_answer)
        task = asyncio.create_task(reader.read("CH-1", 5, "holding", 100, 2, within_s=1.0))
        with pytest.raises(asyncio.CancelledError):
            await task
        reader.close()


async def test_three_silences_in_a_row_open_the_connection_anew() -> None:
    async with serving(says_nothing) as device:
        reader = ModbusReader(LOOPBACK, device.port)
        for _ in range(4):
            with pytest.raises(DeviceSilent):
                await reader.read("CH-1", 5, "holding", 100, 2, within_s=0.03)
        reader.close()
        assert device.links == 2


@pytest.mark.parametrize(
    ("unit", "table", "count"), [(0, "holding", 1), (1, "holding", 126), (1, "holding", 0), (1, "coil", 2_001)]
)
async def test_what_must_not_be_sent_is_refused_before_it_is(unit: int, table: str, count: int) -> None:
    with pytest.raises(ValueError, match="not to be sent"):
        await ModbusReader(LOOPBACK, 1).read("CH-1", unit, table, 0, count, within_s=0.1)


def _three_units(port: int) -> Plant:
    devices = [modbus_device(f"U{number}", port, number) for number in (1, 2, 3)]
    return plant_of(devices, [register_point(f"P{one.unit}", one, "holding 100") for one in devices])


def _only_unit(unit: int, behaviour: Behaviour) -> Behaviour:
    return lambda device, request: behaviour(device, request) if request.unit == unit else honest(device, request)


# behaviour of unit 2, quality of its point (None: silent, its last reading ages), part of the reason
OUTCOMES: list[tuple[Behaviour, Quality | None, str]] = [
    (honest, GOOD, ""),
    (answers_twice, GOOD, ""),
    (says_nothing, None, "no answer in 0.1 s"),
    (closes, None, "closed without an answer"),
    (exception(11), None, "gateway target device failed to respond"),
    (exception(6), None, "server device busy"),
    (exception(2), BAD, "illegal data address"),
    (exception(4), BAD, "server device failure"),
    (answers_as_another_unit, BAD, "an answer of unit 3 to a question to unit 2"),
    (answers_with_input_registers, BAD, "function 4"),
    (sends_no_register, BAD, "got 0"),
    (sends_half_a_frame, BAD, "half an answer"),
    (answers_with_an_unknown_function, BAD, "cannot be decoded"),
]


@pytest.mark.parametrize(
    ("behaviour", "quality", "reason"), OUTCOMES, ids=[_name((row[0], DriverError, row[2])) for row in OUTCOMES]
)
async def test_one_bad_unit_has_its_own_outcome_and_its_neighbours_behind_the_gateway_go_on(
    behaviour: Behaviour, quality: Quality | None, reason: str
) -> None:
    tasks, sockets = len(asyncio.all_tasks()), open_sockets()
    async with serving(_only_unit(2, behaviour)) as gateway:
        async with polling(_three_units(gateway.port), SystemClock()) as (_, outcomes):
            await outcomes.until(
                lambda seen: (
                    _heard(seen, "P2") and seen.told.get("P1.power", 0) >= 3 and seen.told.get("P3.power", 0) >= 3
                )
            )
            found = outcomes.reading("P2")
            assert (found.quality if found else None) == quality
            assert reason in outcomes.why("P2")
            for name in ("P1", "P3"):
                beside = outcomes.reading(name)
                assert beside is not None
                assert (beside.quality, beside.value) == (GOOD, 100.0)
        assert {request.function for request in gateway.asked} == {3}
    assert (len(asyncio.all_tasks()), open_sockets()) == (tasks, sockets)


def _heard(seen: Outcomes, name: str) -> bool:
    return f"{name}.power" in seen.readings or f"{name}.power" in seen.silent


async def test_a_hole_in_the_register_map_is_found_in_the_first_sweep_and_never_asked_again() -> None:
    missing = set(range(108, 112))

    def with_a_hole(device: Device, request: Request) -> bytes | None:
        touched = missing & set(range(request.first, request.first + request.count))
        return (exception(2) if touched else honest)(device, request)

    async with serving(with_a_hole) as device:
        subject = modbus_device("U1", device.port, 1)
        points = [register_point(f"P{first}", subject, f"holding {first}") for first in (100, 102, 104, 114, 116, 118)]
        async with polling(plant_of([subject], points), SystemClock()) as (running, outcomes):
            await outcomes.until(lambda seen: len(seen.readings) == 6)
            assert all(one.quality is GOOD for one in outcomes.readings.values())
            learned_at = len(device.asked)
            await outcomes.until(lambda seen: min(seen.told.values()) >= 3)
            spans = {(request.first, request.count) for request in device.asked[learned_at:]}
            assert spans == {(100, 5), (114, 5)}
            (health,) = running.health()
            assert health["plans"][0]["learned"]["holes"] == ["holding 114"]
            assert health["failures"] == {}, "finding a hole is no failure"


async def test_a_device_that_answers_at_most_fifty_registers_gives_all_of_them() -> None:
    def small(device: Device, request: Request) -> bytes | None:
        return (exception(3) if request.count > 50 else honest)(device, request)

    async with serving(small) as device:
        subject = modbus_device("U1", device.port, 1)
        points = [register_point(f"P{first}", subject, f"holding {first}") for first in range(120)]
        async with polling(plant_of([subject], points), SystemClock()) as (_, outcomes):
            await outcomes.until(lambda seen: len(seen.readings) == 120)
            assert {name: one.value for name, one in outcomes.readings.items()} == {
                f"P{first}.power": float(first) for first in range(120)
            }
            learned_at = len(device.asked)
            await outcomes.until(lambda seen: min(seen.told.values()) >= 4)
            assert max(request.count for request in device.asked[learned_at:]) <= 50


async def test_an_address_that_does_not_exist_makes_one_point_bad_and_is_left_alone() -> None:
    def without_105(device: Device, request: Request) -> bytes | None:
        touched = 105 in range(request.first, request.first + request.count)
        return (exception(2) if touched else honest)(device, request)

    async with serving(without_105) as device:
        subject = modbus_device("U1", device.port, 1)
        points = [register_point(f"P{first}", subject, f"holding {first}") for first in range(100, 110)]
        async with polling(plant_of([subject], points), SystemClock()) as (_, outcomes):
            await outcomes.until(lambda seen: len(seen.readings) == 10)
            learned_at = len(device.asked)
            await outcomes.until(lambda seen: min(seen.told.values()) >= 3)
            assert {name for name, one in outcomes.readings.items() if one.quality is BAD} == {"P105.power"}
            assert all(105 not in range(one.first, one.first + one.count) for one in device.asked[learned_at:])
