"""Faults of devices in plant time: slow, without power, renumbered, doubled, with a dead unit, a wrong clock, too small.

BACnet is asked by rusty-bacnet, Modbus by pyModbusTCP; neither shares anything with what serves.
"""

from __future__ import annotations

import asyncio
import contextlib
from collections.abc import AsyncIterator, Collection
from dataclasses import dataclass
from typing import Any

import pytest
from pyModbusTCP.client import ModbusClient
from rusty_bacnet import (
    BacnetAbortError,
    BACnetClient,
    BacnetTimeoutError,
    ObjectIdentifier,
    ObjectType,
    PropertyIdentifier,
)

from plantview.clock import ManualClock
from plantview.errors import StartRefused
from plantview.model.plant import Plant
from plantview.simulator.devices.device_faults import DEVICE_FAULTS
from plantview.simulator.faults import FAULTS, Fault, parse_fault
from plantview.simulator.serve import serve
from tests.interop.simulated import StillPlant, larkfield

P = PropertyIdentifier
POINT = ObjectIdentifier(ObjectType.ANALOG_INPUT, 24)
START_MS = 1_764_000_000_000
SILENCE = (BacnetTimeoutError, BacnetAbortError)
GATEWAY_TARGET_FAILED = 11
SHORT_S = 0.2


@dataclass
class Scene:
    plant: Plant
    clock: ManualClock

    @contextlib.asynccontextmanager
    async def client(self, answer_ms: int = 1_500) -> AsyncIterator[BACnetClient]:
        async with BACnetClient("127.0.0.1", 0, "127.255.255.255", apdu_timeout_ms=answer_ms) as client:
            yield client

    async def read(self, device: str, item: ObjectIdentifier, what: PropertyIdentifier, answer_ms: int = 1_500) -> Any:
        async with self.client(answer_ms) as client:
            return (await client.read_property(self.plant.devices[device].address, item, what)).value

    async def instance(self, device: str) -> int:
        """Return the instance of whoever answers at a device's address: 4194303 stands for any."""
        anybody = ObjectIdentifier(ObjectType.DEVICE, 4_194_303)
        return int((await self.read(device, anybody, P.OBJECT_IDENTIFIER)).instance)

    async def registers(self, unit: int, timeout_s: float = 2.0) -> tuple[list[int] | None, int]:
        """Return registers and exception code of one read."""
        device = self.plant.devices["CH-1-PANEL"]
        client = ModbusClient(host=device.host, port=device.port, unit_id=unit, timeout=timeout_s, auto_close=True)
        words = await asyncio.to_thread(client.read_holding_registers, 100, 2)
        return words, client.last_except


@contextlib.asynccontextmanager
async def scene(*faults: str, live: Collection[Fault] = ()) -> AsyncIterator[Scene]:
    plant, clock, ready = larkfield(), ManualClock(START_MS), asyncio.Event()
    serving = serve(
        StillPlant(plant), plant, clock, faults=[parse_fault(text) for text in faults], live=live, ready=ready
    )
    async with asyncio.TaskGroup() as group:
        task = group.create_task(serving)
        async with asyncio.timeout(5):
            await ready.wait()
        await clock.advance(0)
        yield Scene(plant, clock)
        task.cancel()


async def refused(*faults: str) -> str:
    plant = larkfield()
    with pytest.raises(StartRefused) as caught:
        await serve(StillPlant(plant), plant, ManualClock(), faults=[parse_fault(text) for text in faults])
    return str(caught.value)


def test_every_fault_of_a_device_that_can_be_written_can_befall_one() -> None:
    assert {name for name, kind in FAULTS.items() if kind.target == "device"} == set(DEVICE_FAULTS)


async def test_a_slow_device_answers_late_and_every_answer_is_its_own() -> None:
    async with scene(f"device-slow:BC-1:{SHORT_S}@5+10") as now:
        assert await now.read("BC-1", POINT, P.OBJECT_NAME) == "cwp-out.temp"
        await now.clock.advance(6)
        assert await now.read("BC-1", POINT, P.OBJECT_NAME) == "cwp-out.temp"
        with pytest.raises(SILENCE):
            await now.read("BC-1", POINT, P.OBJECT_NAME, answer_ms=20)
        await now.clock.advance(10)
        assert await now.read("BC-1", POINT, P.OBJECT_NAME) == "cwp-out.temp"


async def test_a_slow_panel_answers_those_who_wait() -> None:
    async with scene(f"device-slow:CH-2-PANEL:{SHORT_S}") as now:
        quick, late, hasty = await asyncio.gather(now.registers(1), now.registers(2), now.registers(2, SHORT_S / 4))
    assert quick[0] is not None
    assert late[0] is not None
    assert hasty == (None, 0)  # no answer in time


async def test_a_rebooting_device_is_gone_and_comes_back_in_plant_time() -> None:
    async with scene("device-rebooting:BC-1@5+30") as now:
        await now.clock.advance(6)
        with pytest.raises(SILENCE):
            await now.read("BC-1", POINT, P.OBJECT_NAME, answer_ms=50)
        assert await now.instance("BC-2") == 200_102
        await now.clock.advance(30)
        assert await now.read("BC-1", POINT, P.OBJECT_NAME) == "cwp-out.temp"


async def test_a_renumbered_controller_answers_under_its_new_instance_at_its_old_address() -> None:
    async with scene("device-renumbered:BC-1:200199@5+10") as now:
        assert await now.instance("BC-1") == 200_101
        await now.clock.advance(6)
        assert await now.instance("BC-1") == 200_199
        assert await now.read("BC-1", POINT, P.OBJECT_NAME) == "cwp-out.temp"
        await now.clock.advance(10)
        assert await now.instance("BC-1") == 200_101


async def test_a_renumbered_panel_is_missing_under_its_old_number() -> None:
    async with scene("device-renumbered:CH-2-PANEL:42") as now:
        assert (await now.registers(2))[1] == GATEWAY_TARGET_FAILED
        assert (await now.registers(42))[0] is not None
        assert (await now.registers(1))[0] is not None


async def test_two_controllers_that_claim_the_same_instance() -> None:
    async with scene("duplicate-instance:BC-2:200101") as now:
        assert await now.instance("BC-1") == await now.instance("BC-2") == 200_101


async def test_a_dead_unit_is_given_up_by_its_gateway_and_the_others_answer() -> None:
    async with scene(f"unit-dead:CH-2-PANEL:{SHORT_S}") as now:
        assert await now.registers(2) == (None, GATEWAY_TARGET_FAILED)
        assert await now.registers(2, SHORT_S / 4) == (None, 0)  # the gateway waits for it longer than this asker
        assert (await now.registers(1))[0] is not None


async def test_a_wrong_clock_shows_in_the_devices_local_time_only() -> None:
    device = ObjectIdentifier(ObjectType.DEVICE, 200_101)
    async with scene("clock-wrong:BC-1:-5400@5+10") as now:
        assert await now.read("BC-1", device, P.LOCAL_TIME) == (10, 0, 0, 0)
        assert await now.read("BC-1", device, P.UTC_OFFSET) == 360
        await now.clock.advance(6)
        assert await now.read("BC-1", device, P.LOCAL_TIME) == (8, 30, 6, 0)
        assert await now.read("BC-1", device, P.LOCAL_DATE) == (2025, 11, 24, 1)
        other = ObjectIdentifier(ObjectType.DEVICE, 200_102)
        assert await now.read("BC-2", other, P.LOCAL_TIME) == (10, 0, 6, 0)
        await now.clock.advance(10)
        assert await now.read("BC-1", device, P.LOCAL_TIME) == (10, 0, 16, 0)


async def test_a_clock_that_is_set_leaves_its_mark_in_every_log() -> None:
    async with scene("clock-wrong:BC-1:3600@90") as now:
        await now.clock.advance(100)
        async with now.client() as client:
            log = ObjectIdentifier(ObjectType.TREND_LOG, 1)
            part: Any = await client.read_range(now.plant.devices["BC-1"].address, log, P.LOG_BUFFER)
    assert bytes.fromhex("1E 9C 45610000 1F") in bytes(part["item_data"])  # time-change of 3600.0 s, IEEE 754


async def test_a_fault_can_be_brought_about_and_mended_while_the_devices_are_served() -> None:
    live: list[Fault] = []
    async with scene(live=live) as now:
        await now.clock.advance(5)
        live.append(parse_fault("device-renumbered:BC-1:200199"))
        await now.clock.advance(2)
        assert await now.instance("BC-1") == 200_199
        live.clear()
        await now.clock.advance(2)
        assert await now.instance("BC-1") == 200_101


async def test_a_small_controller_says_so() -> None:
    async with scene("device-small:BC-1:206@5") as now:
        device = ObjectIdentifier(ObjectType.DEVICE, 200_101)
        assert await now.read("BC-1", device, P.MAX_APDU_LENGTH_ACCEPTED) == 1_024
        await now.clock.advance(6)
        assert await now.read("BC-1", device, P.MAX_APDU_LENGTH_ACCEPTED) == 206


@pytest.mark.parametrize(
    ("fault", "said"),
    [
        ("device-slow:BC-1:0", "BC-1 can be at most 60 s slow; write it like device-slow:BC-1:2"),
        ("device-renumbered:BC-1:4194303", "BC-1 cannot have that number"),
        ("device-renumbered:CH-1-PANEL:248", "CH-1-PANEL cannot have that number"),
        ("device-renumbered:BC-1:1.5", "BC-1 cannot have that number"),
        ("duplicate-instance:CH-1-PANEL:200101", "CH-1-PANEL is no BACnet device"),
        ("duplicate-instance:BC-1:5", "no other BACnet device has the instance 5; use one of: 200102"),
        ("unit-dead:BC-1", "BC-1 is no unit of a Modbus gateway"),
        ("clock-wrong:METERS:60", "METERS is no BACnet device whose clock"),
        ("device-small:BC-1:500", "BC-1 is no BACnet device with an APDU of 50, 128, 206, 480, 1024, 1476 octets"),
        ("device-small:CT-9", "the plant has no device 'CT-9'"),
    ],
)
async def test_a_fault_that_a_device_cannot_have_is_refused_in_a_sentence(fault: str, said: str) -> None:
    assert said in await refused(fault)
