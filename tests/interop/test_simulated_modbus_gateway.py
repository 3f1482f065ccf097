"""The simulated Modbus TCP gateway as two independent clients and a bare socket see it.

pyModbusTCP and pymodbus are clients of other authors; the bare socket sends what neither would.
"""

from __future__ import annotations

import asyncio
import struct
from collections.abc import AsyncIterator, Callable
from contextlib import asynccontextmanager
from dataclasses import replace
from typing import Any

import pytest
from pymodbus.client import AsyncModbusTcpClient
from pyModbusTCP.client import ModbusClient

from plantview.errors import StartRefused
from plantview.model.plant import Device, Plant
from plantview.model.point import ModbusAddress
from plantview.simulator.devices import Rig, rig
from tests.interop.simulated import StillPlant, bench_plant, larkfield, modbus_point, register

ANSWER_S = 2.0


@asynccontextmanager
async def served(plant: Plant) -> AsyncIterator[tuple[Rig, StillPlant]]:
    still = StillPlant(plant)
    async with rig(plant, still) as devices:
        yield devices, still


async def asked(device: Device, question: Callable[[ModbusClient], Any], unit: int | None = None) -> tuple[Any, int]:
    """Return pyModbusTCP's answer and the exception code that came with it, 0 if none did."""

    def ask() -> tuple[Any, int]:
        client = ModbusClient(host=device.host, port=device.port, unit_id=unit or device.unit, timeout=ANSWER_S)
        try:
            return question(client), client.last_except
        finally:
            client.close()

    return await asyncio.to_thread(ask)


async def exchange(device: Device, octets: str, answers: int) -> bytes:
    """Send octets in one segment, return everything that came back in ``answers`` frames."""
    reader, writer = await asyncio.open_connection(device.host, device.port)
    try:
        writer.write(bytes.fromhex(octets))
        received = b""
        async with asyncio.timeout(ANSWER_S):
            for _ in range(answers):
                header = await reader.readexactly(6)
                received += header + await reader.readexactly(struct.unpack(">4xH", header)[0])
        return received
    finally:
        writer.close()
        await writer.wait_closed()


async def test_every_point_of_the_example_plant_reads_back_through_pymodbus() -> None:
    plant = larkfield()
    read = 0
    async with served(plant) as (_, still):
        for device in plant.devices.values():
            if device.protocol == "modbus":
                read += await _read_back(device, plant, still)
    assert read == sum(isinstance(point.address, ModbusAddress) for point in plant.points.values())


async def _read_back(device: Device, plant: Plant, still: StillPlant) -> int:
    kinds = AsyncModbusTcpClient.DATATYPE
    client = AsyncModbusTcpClient(device.host, port=device.port, timeout=ANSWER_S, retries=0, reconnect_delay=0)
    assert await client.connect()
    points = [point for point in plant.points.values() if point.device == device.id]
    try:
        for point in points:
            address = point.address
            assert isinstance(address, ModbusAddress)
            service = client.read_input_registers if address.table == "input" else client.read_holding_registers
            reply = await service(address.first, count=address.count, device_id=device.unit)
            assert not reply.isError(), point.name
            if address.kind.startswith("bit:"):
                value: Any = reply.registers[0] >> int(address.kind[4:]) & 1
            else:
                value = client.convert_from_registers(
                    reply.registers,
                    kinds[address.kind.upper()],
                    word_order="little" if address.order == "CDAB" else "big",
                )
            expected = still.values[point.name]
            assert value * address.scale + address.offset == pytest.approx(expected, abs=address.scale / 2 + 1e-9), (
                point.name
            )
    finally:
        client.close()
    return len(points)


@pytest.mark.outsider_writes
async def test_a_setpoint_written_by_an_outsider_reaches_the_plant_and_reads_back() -> None:
    plant = larkfield()
    panel = plant.devices["CH-1-PANEL"]
    async with served(plant) as (devices, still):
        assert await asked(panel, lambda client: client.write_single_register(120, 452)) == (True, 0)
        assert await asked(panel, lambda client: client.read_holding_registers(120, 1)) == ([452], 0)
        assert await asked(panel, lambda client: client.write_single_register(100, 452)) == (False, 2)
        assert devices.writes.count == 2
        assert [request.device for request in devices.writes.last] == ["CH-1-PANEL", "CH-1-PANEL"]
    ((point, value),) = still.commands
    assert point == "CH-1.setpoint"
    assert value == pytest.approx(45.2)


async def test_holes_and_absent_units_are_refused_as_a_gateway_refuses_them() -> None:
    plant = larkfield()
    panel = plant.devices["CH-1-PANEL"]
    async with served(plant):
        assert await asked(panel, lambda client: client.read_holding_registers(100, 9)) != (None, 0)
        assert await asked(panel, lambda client: client.read_holding_registers(100, 10)) == (None, 2)  # 109 is a hole
        assert await asked(panel, lambda client: client.read_input_registers(100, 1)) == (None, 2)
        assert await asked(panel, lambda client: client.read_holding_registers(100, 1), unit=99) == (None, 0x0B)


async def test_units_behind_one_address_do_not_mix() -> None:
    plant = larkfield()
    async with served(plant) as (devices, still):
        for chiller, setpoint in (("CH-1", 41.0), ("CH-2", 42.0), ("CH-3", 43.0)):
            still.values[f"{chiller}.chws_temp"] = setpoint
        devices.refresh()
        for chiller, raw in (("CH-1", 410), ("CH-2", 420), ("CH-3", 430)):
            device = plant.devices[f"{chiller}-PANEL"]
            assert await asked(device, lambda client: client.read_holding_registers(100, 1)) == ([raw], 0)


async def test_a_silent_unit_says_nothing_while_the_others_answer_on_the_same_connection() -> None:
    plant = larkfield()
    panel = plant.devices["CH-1-PANEL"]
    ask_1, ask_2 = "0001 0000 0006 01 03 0064 0001", "0002 0000 0006 02 03 0064 0001"
    async with served(plant) as (devices, _):
        devices.silence("CH-1-PANEL", True)
        assert (await exchange(panel, ask_1 + ask_2, 1))[:2] == b"\x00\x02"
        devices.silence("CH-1-PANEL", False)
        assert (await exchange(panel, ask_1, 1))[:2] == b"\x00\x01"


async def test_a_stopped_unit_is_reported_by_the_gateway_and_comes_back() -> None:
    plant = larkfield()
    panel = plant.devices["CH-2-PANEL"]
    async with served(plant) as (devices, still):
        await devices.stop("CH-2-PANEL")
        assert await asked(panel, lambda client: client.read_holding_registers(100, 1)) == (None, 0x0B)
        still.values["CH-2.chws_temp"] = 47.0
        await devices.start("CH-2-PANEL")
        assert await asked(panel, lambda client: client.read_holding_registers(100, 1)) == ([470], 0)


async def test_with_its_last_unit_the_gateway_closes_and_opens_again_with_the_first() -> None:
    plant = bench_plant(modbus_point("x", register(0)))
    panel = plant.devices["PANEL"]
    async with served(plant) as (devices, _):
        reader, writer = await asyncio.open_connection(panel.host, panel.port)
        await devices.stop("PANEL")
        assert await reader.read() == b""
        writer.close()
        await writer.wait_closed()
        with pytest.raises(ConnectionRefusedError):
            await asyncio.open_connection(panel.host, panel.port)
        await devices.start("PANEL")
        assert await asked(panel, lambda client: client.read_holding_registers(0, 1)) == ([40], 0)


@pytest.mark.outsider_writes
async def test_requests_in_one_segment_are_answered_in_order_and_a_split_one_once() -> None:
    plant = bench_plant(modbus_point("x", register(0)))
    panel = plant.devices["PANEL"]
    both = "0011 0000 0006 07 03 0000 0001" + "0012 0000 0006 07 03 0001 0001"
    async with served(plant):
        answers = await exchange(panel, both, 2)
        assert answers == bytes.fromhex("0011 0000 0005 07 03 02 0028" + "0012 0000 0003 07 83 02")
        reader, writer = await asyncio.open_connection(panel.host, panel.port)
        for octet in bytes.fromhex(both[:34]):
            writer.write(bytes([octet]))
            await writer.drain()
        assert await reader.readexactly(11) == answers[:11]
        writer.close()
        await writer.wait_closed()


@pytest.mark.parametrize(
    "octets", ["0001 0001 0006 07 03 0000 0001", "0001 0000 FFFF 07 03 0000 0001", "0001 0000 0001 07"]
)
async def test_a_frame_that_is_not_modbus_ends_the_connection(octets: str) -> None:
    plant = bench_plant(modbus_point("x", register(0)))
    async with served(plant):
        with pytest.raises((asyncio.IncompleteReadError, ConnectionError)):
            await exchange(plant.devices["PANEL"], octets, 1)


async def test_an_address_in_use_is_refused_in_a_sentence_and_leaves_nothing_open() -> None:
    plant = bench_plant(modbus_point("x", register(0)))
    async with served(plant):
        second = replace(plant, devices={"PANEL": plant.devices["PANEL"]})
        with pytest.raises(
            StartRefused, match=r"PANEL cannot listen on TCP 127\.0\.0\.1:\d+: another program .* -> stop"
        ):
            async with served(second):
                raise AssertionError("it must not start")
    async with served(plant):
        assert await asked(plant.devices["PANEL"], lambda client: client.read_holding_registers(0, 1)) == ([40], 0)


async def test_an_address_of_another_computer_is_refused_in_a_sentence() -> None:
    plant = bench_plant(modbus_point("x", register(0)))
    elsewhere = replace(plant.devices["PANEL"], host="192.0.2.1")  # TEST-NET-1, RFC 5737
    with pytest.raises(StartRefused, match=r"PANEL cannot listen on TCP 192\.0\.2\.1:\d+: this computer has no such"):
        async with served(replace(plant, devices={"PANEL": elsewhere})):
            raise AssertionError("it must not start")
