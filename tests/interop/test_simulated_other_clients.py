"""The simulated devices before clients of other authors in other languages: node-bacnet and mbpoll.

node-bacnet is a package of npm (``tests.interop.peers.javascript`` says where it is looked for), mbpoll one of Debian.
Without them these tests are skipped, and say so.
"""

from __future__ import annotations

import asyncio
import json
import os
import shutil
from dataclasses import replace
from typing import Any

import pytest
from pyModbusTCP.client import ModbusClient

from plantview.clock import ManualClock
from plantview.simulator.devices import rig
from tests.interop.peers import javascript
from tests.interop.simulated import StillPlant, bench_plant, larkfield, modbus_point, register

MBPOLL = shutil.which("mbpoll")
SETPOINT, TEMPERATURE = "cwp-out.setpoint", "cwp-out.temp"
ILLEGAL_ADDRESS = 2


async def run(*command: str, **environment: str) -> tuple[int, str, str]:
    """Return exit code, output and errors of a program."""
    process = await asyncio.create_subprocess_exec(
        *command, stdout=asyncio.subprocess.PIPE, stderr=asyncio.subprocess.PIPE, env={**os.environ, **environment}
    )
    async with asyncio.timeout(15):
        output, errors = await process.communicate()
    return process.returncode or 0, output.decode(), errors.decode()


@pytest.mark.outsider_writes
@pytest.mark.skipif(javascript.MISSING, reason=javascript.WHY_MISSING)
async def test_a_javascript_client_reads_subscribes_reads_a_log_and_writes() -> None:
    plant, clock = larkfield(), ManualClock()
    still = StillPlant(plant)
    still.values |= {SETPOINT: 68.25, TEMPERATURE: 72.5}
    device = plant.devices["BC-1"]
    addresses: Any = plant.points[TEMPERATURE].address, plant.points[SETPOINT].address
    async with rig(plant, still, clock) as devices:
        for _ in range(6):
            await clock.advance(60)
            devices.refresh()
        arguments = map(str, (device.port, device.unit, addresses[0].instance, 1, addresses[1].instance))
        script = str(javascript.SCRIPTS / "client.js")
        code, output, errors = await run(
            str(javascript.INTERPRETER), script, *arguments, NODE_PATH=str(javascript.LIBRARIES)
        )
    assert code == 0, errors
    found = json.loads(output)
    assert (found["whoIs"], found["name"]) == (device.unit, "BC-1")
    assert found["objects"] > len([point for point in plant.points.values() if point.device == "BC-1"])
    assert found["present"] == found["unconfirmed"] == found["confirmed"] == 72.5
    assert found["several"] == [72.5, 68.25]
    assert found["records"] == 7
    assert found["range"]["items"] == 5
    assert (found["written"], found["slot8"], found["released"]) == (70.5, 70.5, 68.25)
    assert "37" in found["refused"]  # value-out-of-range
    assert still.commands == [(SETPOINT, 70.5), (SETPOINT, None)]


@pytest.mark.outsider_writes
@pytest.mark.skipif(MBPOLL is None, reason="needs mbpoll: apt-get install mbpoll")
async def test_mbpoll_reads_and_writes_in_both_orders_that_it_knows() -> None:
    points = (
        modbus_point("big", register(10, "float32"), commandable=True),
        modbus_point("swapped", register(20, "float32", order="CDAB"), commandable=True),
        modbus_point("count", register(30, "int16")),
    )
    plant = bench_plant(*points)
    still = StillPlant(plant)
    still.values |= {"big": 12.5, "swapped": -40.5, "count": -7.0}
    port = plant.devices["PANEL"].port
    base = (str(MBPOLL), "-m", "tcp", "-p", str(port), "-a", "7", "-0", "-1", "-q")
    async with rig(plant, still):
        for register_, order, value in ((10, ("-B",), 12.5), (20, (), -40.5)):
            code, output, errors = await run(
                *base, "-r", str(register_), "-c", "1", "-t", "4:float", *order, "127.0.0.1"
            )
            assert code == 0, errors
            assert f"[{register_}]: \t{value:g}" in output, output
        code, output, _ = await run(*base, "-r", "30", "-c", "1", "-t", "4", "127.0.0.1")
        assert (code, "(-7)" in output) == (0, True), output
        code, _, errors = await run(*base, "-r", "20", "-t", "4:float", "127.0.0.1", "98.5")
        assert code == 0, errors
        code, _, errors = await run(*base, "-r", "30", "-t", "4", "127.0.0.1", "5")
        assert (code, "Illegal data address" in errors) == (1, True), errors
    assert still.commands == [("swapped", 98.5)]


async def test_a_map_has_holes_and_a_value_is_written_whole_or_not_at_all() -> None:
    points = (modbus_point("a", register(100, "int32")), modbus_point("b", register(110)))
    plant = bench_plant(*points)
    panel = plant.devices["PANEL"]
    async with rig(plant, StillPlant(plant)):
        client = ModbusClient(host=panel.host, port=panel.port, unit_id=7, timeout=2.0, auto_close=True)
        assert await asyncio.to_thread(client.read_holding_registers, 100, 2) == [0, 40]
        assert await asyncio.to_thread(client.read_holding_registers, 100, 3) is None
        assert client.last_except == ILLEGAL_ADDRESS
        assert await asyncio.to_thread(client.read_holding_registers, 105, 1) is None
        assert client.last_except == ILLEGAL_ADDRESS
        assert await asyncio.to_thread(client.read_input_registers, 100, 2) is None  # nothing overlays here


@pytest.mark.parametrize(
    ("value", "words"), [(23.5, [23_500, 0xFFFD]), (1_234.5, [12_345, 0xFFFF]), (2e6, [20_000, 2])]
)
async def test_a_scale_register_moves_with_its_values(value: float, words: list[int]) -> None:
    scaled = replace(register(200, "int16", na=(0x8000,)), scale_register=201)
    plant = bench_plant(modbus_point("power", scaled))
    still = StillPlant(plant)
    still.values["power"] = value
    panel = plant.devices["PANEL"]
    async with rig(plant, still):
        client = ModbusClient(host=panel.host, port=panel.port, unit_id=7, timeout=2.0, auto_close=True)
        assert await asyncio.to_thread(client.read_holding_registers, 200, 2) == words


async def test_values_that_share_a_scale_register_are_scaled_together() -> None:
    small, large = (replace(register(first, "int16"), scale_register=210) for first in (208, 209))
    plant = bench_plant(modbus_point("small", small), modbus_point("large", large))
    still = StillPlant(plant)
    still.values |= {"small": 12.0, "large": 300_000.0}
    panel = plant.devices["PANEL"]
    async with rig(plant, still) as devices:
        client = ModbusClient(host=panel.host, port=panel.port, unit_id=7, timeout=2.0, auto_close=True)
        assert await asyncio.to_thread(client.read_holding_registers, 208, 3) == [1, 30_000, 1]
        still.values["large"] = 3.0
        devices.refresh()
        assert await asyncio.to_thread(client.read_holding_registers, 208, 3) == [12_000, 3_000, 0xFFFD]


async def test_fields_of_several_bits_share_a_register() -> None:
    points = (modbus_point("mode", register(5, "bits:4-6")), modbus_point("run", register(5, "bit:0")))
    plant = bench_plant(*points)
    still = StillPlant(plant)
    still.values |= {"mode": 5.0, "run": 1.0}
    panel = plant.devices["PANEL"]
    async with rig(plant, still):
        client = ModbusClient(host=panel.host, port=panel.port, unit_id=7, timeout=2.0, auto_close=True)
        assert await asyncio.to_thread(client.read_holding_registers, 5, 1) == [0x51]
