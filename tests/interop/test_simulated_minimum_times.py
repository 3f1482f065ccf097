"""Minimum on and off times on a simulated output, and who commanded it when, as an outsider sees them.

Oracle: the trace of ANSI/ASHRAE 135, clause 19.2.3 (from memory), worked by hand for 300 s on and 600 s off.
"""

from __future__ import annotations

from collections.abc import AsyncIterator
from contextlib import asynccontextmanager
from typing import Any

import pytest
from rusty_bacnet import (
    BACnetClient,
    BacnetProtocolError,
    ObjectIdentifier,
    ObjectType,
    PropertyIdentifier,
    PropertyValue,
)

from plantview.clock import ManualClock
from plantview.simulator.devices import Rig, rig
from tests.interop.simulated import StillPlant, bacnet_point, bench_plant

P = PropertyIdentifier
FAN = ObjectIdentifier(ObjectType.BINARY_OUTPUT, 1)
START_MS = 1_764_000_000_000
WRITE_ACCESS_DENIED = 40


class Bench:
    """One fan command, an outsider and a clock."""

    def __init__(self, client: BACnetClient, address: str, devices: Rig, still: StillPlant, clock: ManualClock) -> None:
        self.client, self.address, self.devices, self.still, self.clock = client, address, devices, still, clock

    async def at(self, second: float) -> None:
        """Let the controller scan each second until then."""
        while self.clock.monotonic_s() < second:
            await self.clock.advance(1)
            self.devices.refresh()

    async def write(self, value: int | None, priority: int) -> None:
        typed = PropertyValue.null() if value is None else PropertyValue.enumerated(value)
        await self.client.write_property(self.address, FAN, P.PRESENT_VALUE, typed, priority=priority)

    async def read(self, what: PropertyIdentifier) -> Any:
        return (await self.client.read_property(self.address, FAN, what)).value

    async def state(self) -> tuple[int, int | None]:
        """Return present value and winning priority."""
        array = await self.read(P.PRIORITY_ARRAY)
        winner = next((slot for slot, entry in enumerate(array, 1) if entry is not None), None)
        return int(await self.read(P.PRESENT_VALUE)), winner


@asynccontextmanager
async def bench(on_s: int, off_s: int) -> AsyncIterator[Bench]:
    plant = bench_plant(bacnet_point("fan", "binary-output", 1, {0: "OFF", 1: "ON"}, commandable=True))
    still, clock = StillPlant(plant), ManualClock(START_MS)
    still.values["fan"] = 0.0
    address = plant.devices["CONTROLLER"].address
    client = BACnetClient("127.0.0.1", 0, "127.255.255.255", apdu_timeout_ms=1_000)
    async with rig(plant, still, clock) as devices, client:
        for what, seconds in ((P.MINIMUM_ON_TIME, on_s), (P.MINIMUM_OFF_TIME, off_s)):
            await client.write_property(address, FAN, what, PropertyValue.unsigned(seconds))
        yield Bench(client, address, devices, still, clock)


@pytest.mark.outsider_writes
async def test_an_output_keeps_its_state_for_the_minimum_time_and_critical_commands_win() -> None:
    async with bench(300, 600) as fan:
        await fan.at(10)
        await fan.write(1, 8)
        assert await fan.state() == (1, 6)
        await fan.at(60)
        await fan.write(0, 8)
        assert await fan.state() == (1, 6)  # still within its 300 s
        await fan.at(309)
        assert await fan.state() == (1, 6)
        await fan.at(310)
        assert await fan.state() == (0, 6)  # off, and now for 600 s
        await fan.at(400)
        await fan.write(1, 8)
        assert await fan.state() == (0, 6)
        await fan.at(910)
        assert await fan.state() == (1, 6)
        await fan.at(1_000)
        await fan.write(0, 5)
        assert await fan.state() == (0, 5)  # critical equipment control does not wait
        await fan.at(1_100)
        await fan.write(None, 5)
        assert await fan.state() == (0, 6)
        await fan.at(1_599)
        assert await fan.state() == (0, 6)
        await fan.at(1_600)
        assert await fan.state() == (1, 6)
        assert fan.still.commands[-1] == ("fan", 1.0)


@pytest.mark.outsider_writes
async def test_after_the_last_release_the_controllers_own_program_gets_the_output_back() -> None:
    async with bench(20, 0) as fan:
        await fan.write(1, 8)
        await fan.write(None, 8)
        assert await fan.state() == (1, 6)
        await fan.at(20)
        assert await fan.state() == (0, None)
        assert fan.still.commands[-1] == ("fan", None)
        fan.still.values["fan"] = 1.0
        fan.devices.refresh()
        assert await fan.state() == (1, None)  # its own start fills no slot


@pytest.mark.outsider_writes
async def test_nobody_writes_to_the_slot_of_the_minimum_times() -> None:
    async with bench(300, 600) as fan:
        with pytest.raises(BacnetProtocolError) as caught:
            await fan.write(1, 6)
        assert int(caught.value.error_code) == WRITE_ACCESS_DENIED
        assert await fan.state() == (0, None)


@pytest.mark.outsider_writes
async def test_a_command_names_its_sender_and_its_time() -> None:
    async with bench(0, 0) as fan:
        assert await fan.read(P.VALUE_SOURCE) is None
        await fan.at(90)
        await fan.write(1, 8)
        source = await fan.read(P.VALUE_SOURCE)
        assert (source["kind"], source["network_number"]) == ("address", 0)
        assert source["mac_address"][:4] == bytes((127, 0, 0, 1))  # the writer's B/IP address, clause J.1.2
        assert (
            str(await fan.read(P.LAST_COMMAND_TIME)) == "BACnetTimeStamp.date_time((2025, 11, 24, 1), (16, 1, 30, 0))"
        )
        times = await fan.read(P.COMMAND_TIME_ARRAY)
        assert str(times[7]).startswith("BACnetTimeStamp.date_time")
        assert not str(times[8]).startswith("BACnetTimeStamp.date_time")
        await fan.write(None, 8)
        assert await fan.read(P.VALUE_SOURCE) is None
