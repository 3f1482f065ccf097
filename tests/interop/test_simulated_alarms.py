"""The simulated controllers' own alarms as an outsider reads and acknowledges them.

GetEventInformation, GetAlarmSummary and AcknowledgeAlarm: ANSI/ASHRAE 135, clauses 13.12, 13.10 and 13.5. Asked by
bacpypes3's client, whose encoding is its authors' (the services that answer are ours), and by rusty-bacnet.
"""

from __future__ import annotations

import math
import socket
from collections.abc import AsyncIterator
from contextlib import asynccontextmanager
from dataclasses import dataclass
from typing import Any

import pytest
from bacpypes3.apdu import AcknowledgeAlarmRequest, ErrorPDU, GetEventInformationRequest
from bacpypes3.app import Application
from bacpypes3.basetypes import TimeStamp
from bacpypes3.local.device import DeviceObject
from bacpypes3.local.networkport import NetworkPortObject
from bacpypes3.pdu import Address
from bacpypes3.primitivedata import ObjectIdentifier
from rusty_bacnet import (
    BACnetClient,
    BACnetTimeStamp,
    EventState,
    ObjectType,
    PropertyIdentifier,
)
from rusty_bacnet import ObjectIdentifier as Identifier

from plantview.clock import ManualClock
from plantview.config.ports import free_port
from plantview.drivers.bacnet_network import BacnetNetwork
from plantview.drivers.bacnet_reader import BacnetReader
from plantview.model.plant import Adapter, Plant
from plantview.simulator.devices import Rig, rig
from tests.interop.simulated import StillPlant, larkfield

P = PropertyIdentifier
START_MS = 1_764_000_000_000  # 2025-11-24 16:00 UTC, 10:00 in Chicago
IN_ALARM = 0x80
LEVEL = "CT-BASIN.level"
SUPPLY, SETPOINT = "chw-supply.temp", "chw-supply.setpoint"
HIGH, LOW, OFF = "high-limit", "low-limit", "offnormal"


@dataclass
class Scene:
    plant: Plant
    devices: Rig
    still: StillPlant
    clock: ManualClock
    asker: Application
    device: str

    @property
    def address(self) -> Address:
        return Address(self.plant.devices[self.device].address)

    async def scan(self, seconds: int, every: int = 1) -> None:
        """Let the controllers scan once a second, or more seldom."""
        for _ in range(0, seconds, every):
            await self.clock.advance(every)
            self.devices.refresh()

    async def events(self, last: ObjectIdentifier | None = None) -> Any:
        """Return one page of event information."""
        request = GetEventInformationRequest(destination=self.address)
        if last is not None:
            request.lastReceivedObjectIdentifier = last
        return await self.asker.request(request)

    async def states(self) -> dict[str, tuple[str, list[int]]]:
        """Return object -> (event state, acknowledged transitions) of everything noteworthy."""
        answer = await self.events()
        assert not answer.moreEvents
        return {
            str(item.objectIdentifier): (str(item.eventState), [int(bit) for bit in item.acknowledgedTransitions])
            for item in answer.listOfEventSummaries
        }

    async def stamps(self, item: ObjectIdentifier) -> list[TimeStamp]:
        return list(await self.asker.read_property(self.address, item, "event-time-stamps"))

    async def acknowledge(self, item: ObjectIdentifier, state: str, stamp: TimeStamp) -> None:
        request = AcknowledgeAlarmRequest(
            acknowledgingProcessIdentifier=1, eventObjectIdentifier=item, eventStateAcknowledged=state, timeStamp=stamp,
            acknowledgmentSource="JD", timeOfAcknowledgment=stamp, destination=self.address,
        )  # fmt: skip
        await self.asker.request(request)


def normal(plant: Plant, still: StillPlant) -> None:
    """Give every point a value at which nothing is wrong."""
    for name, point in plant.points.items():
        words = {word: number for number, word in point.states.items()}
        if point.states:
            still.values[name] = float(words.get("AUTO", words.get("NORMAL", words.get("OFF", min(point.states)))))
    for name, point in plant.points.items():
        if point.measurement == "status":
            still.values[name] = 0.0
        if point.measurement in {"leaving_temp", "temp"}:
            still.values[name] = 75.0
    still.values |= {
        LEVEL: 23.5,
        "CT-BASIN.conductivity": 1_500.0,
        "cwp-out.setpoint": 75.0,
        SUPPLY: 44.0,
        SETPOINT: 44.0,
    }


@asynccontextmanager
async def scene(device: str = "BC-1") -> AsyncIterator[Scene]:
    plant, clock = larkfield(), ManualClock(START_MS)
    still = StillPlant(plant)
    normal(plant, still)
    own = DeviceObject(objectIdentifier=("device", 4_000_000), objectName="asker", vendorIdentifier=999)
    port = NetworkPortObject(
        f"127.0.0.1/8:{free_port(socket.SOCK_DGRAM)}", objectIdentifier=("network-port", 1), objectName="port"
    )
    asker = Application.from_object_list([own, port])
    own.apduTimeout, own.numberOfApduRetries = 2_000, 0
    async with rig(plant, still, clock) as devices:
        try:
            yield Scene(plant, devices, still, clock, asker, device)
        finally:
            asker.close()


def at(plant: Plant, name: str) -> ObjectIdentifier:
    return ObjectIdentifier(str(plant.points[name].address))


async def test_a_plant_in_good_order_has_no_events() -> None:
    for device in ("BC-1", "BC-2"):
        async with scene(device) as now:
            await now.scan(700, every=10)
            assert await now.states() == {}


async def test_a_high_level_is_an_alarm_with_its_time_until_somebody_acknowledges_it() -> None:
    async with scene() as now:
        level = at(now.plant, LEVEL)
        now.still.values[LEVEL] = 40.0  # inches; the limit is 0.9 m
        await now.scan(60)
        assert await now.states() == {}
        await now.scan(1)
        assert await now.states() == {str(level): (HIGH, [0, 1, 1])}
        flags = await now.asker.read_property(now.address, level, "status-flags")
        assert list(flags) == [1, 0, 0, 0]
        stamps = await now.stamps(level)
        assert str(stamps[0].dateTime.time) == "10:01:01.00"
        await now.acknowledge(level, HIGH, stamps[0])
        assert await now.states() == {str(level): (HIGH, [1, 1, 1])}
        now.still.values[LEVEL] = 23.5
        await now.scan(62)
        assert await now.states() == {}
        assert now.devices.writes.count == 1


async def test_an_alarm_that_is_over_is_listed_until_it_is_acknowledged() -> None:
    async with scene() as now:
        level = at(now.plant, LEVEL)
        now.still.values[LEVEL] = 5.0
        await now.scan(61)
        now.still.values[LEVEL] = 23.5
        await now.scan(61)
        assert await now.states() == {str(level): ("normal", [0, 1, 1])}
        first = (await now.stamps(level))[0]
        for state, stamp in ((HIGH, first), (LOW, (await now.stamps(level))[2])):
            with pytest.raises(ErrorPDU):
                await now.acknowledge(level, state, stamp)
        await now.acknowledge(level, LOW, first)
        assert await now.states() == {}


async def test_a_lost_sensor_is_a_fault_at_once_and_wants_its_own_acknowledgement() -> None:
    async with scene() as now:
        level = at(now.plant, LEVEL)
        now.still.values[LEVEL] = math.nan
        await now.scan(1)
        assert await now.states() == {str(level): ("fault", [1, 0, 1])}
        assert list(await now.asker.read_property(now.address, level, "status-flags")) == [1, 1, 0, 0]
        now.still.values[LEVEL] = 23.5
        await now.scan(1)
        assert await now.states() == {str(level): ("normal", [1, 0, 1])}
        await now.acknowledge(level, "fault", (await now.stamps(level))[1])
        assert await now.states() == {}


async def test_a_supply_temperature_that_leaves_its_setpoint_is_an_event_enrollments_alarm() -> None:
    async with scene("BC-2") as now:
        now.still.values[SUPPLY] = 49.0  # 5.0 degF above; the band is 2.5 K
        await now.scan(610, every=10)
        ((name, state),) = (await now.states()).items()
        assert name.startswith("event-enrollment,")
        assert state == (HIGH, [0, 1, 1])
        watched = await now.asker.read_property(now.address, ObjectIdentifier(name), "object-property-reference")
        assert watched.objectIdentifier == at(now.plant, SUPPLY)
        limits = await now.asker.read_property(now.address, ObjectIdentifier(name), "event-parameters")
        assert limits.floatingLimit.highDiffLimit == pytest.approx(4.5)
        assert limits.floatingLimit.setpointReference.objectIdentifier == at(now.plant, SETPOINT)
        now.still.values[SETPOINT] = 49.0
        await now.scan(61)
        assert (await now.states())[name] == ("normal", [0, 1, 1])


async def test_our_reader_names_what_an_event_enrollment_watches() -> None:
    async with scene("BC-2") as now, BacnetNetwork(Adapter("127.0.0.1/8", 0)) as network:
        now.still.values[SUPPLY] = 49.0
        await now.scan(610, every=10)
        (event,) = await BacnetReader(network, now.plant.devices["BC-2"]).events()
        assert event.object_name.startswith("event-enrollment,")
        assert (event.state, event.watches) == ("high-limit", str(now.plant.points[SUPPLY].address))


async def test_a_pump_that_does_not_prove_is_a_command_failure() -> None:
    async with scene() as now:
        now.still.values["CWP-1.command"] = 1.0
        await now.scan(31)
        command = at(now.plant, "CWP-1.command")
        assert await now.states() == {str(command): (OFF, [0, 1, 1])}
        assert str(await now.asker.read_property(now.address, command, "feedback-value")) == "inactive"
        now.still.values["CWP-1.status"] = 1.0
        await now.scan(1)
        assert (await now.states())[str(command)][0] == "normal"


async def test_a_hand_switch_is_an_event_that_wants_no_acknowledgement_and_the_output_says_overridden() -> None:
    async with scene("BC-2") as now:
        now.still.values["SCHWP-1.hand_off_auto"] = 1.0  # HAND
        await now.scan(61)
        switch, command = at(now.plant, "SCHWP-1.hand_off_auto"), at(now.plant, "SCHWP-1.command")
        assert (await now.states())[str(switch)] == (OFF, [1, 1, 1])
        assert list(await now.asker.read_property(now.address, command, "status-flags")) == [0, 0, 1, 0]
        other = at(now.plant, "SCHWP-2.command")
        assert list(await now.asker.read_property(now.address, other, "status-flags")) == [0, 0, 0, 0]
        assert await _summary(now) == []  # an event is no alarm
        now.still.values["SCHWP-1.hand_off_auto"] = 3.0
        await now.scan(1)
        assert await now.states() == {}
        assert list(await now.asker.read_property(now.address, command, "status-flags")) == [0, 0, 0, 0]


async def _summary(now: Scene) -> list[dict[str, Any]]:
    async with BACnetClient("127.0.0.1", 0, "127.255.255.255", apdu_timeout_ms=2_000) as client:
        return list(await client.get_alarm_summary(str(now.address)))


async def test_the_alarm_summary_lists_what_is_in_alarm() -> None:
    async with scene() as now:
        now.still.values[LEVEL] = 40.0
        await now.scan(61)
        (row,) = await _summary(now)
    assert row["object_id"] == Identifier(ObjectType.ANALOG_INPUT, at(now.plant, LEVEL)[1])
    assert row["alarm_state"] in {EventState.HIGH_LIMIT, 3}


async def test_more_events_than_one_answer_holds_come_page_by_page() -> None:
    async with scene() as now:
        for name, point in now.plant.points.items():
            if point.device == "BC-1" and point.measurement in {"leaving_temp", "level", "conductivity"}:
                now.still.values[name] = math.nan
        await now.scan(1)
        now.asker.device_object.maxApduLengthAccepted = 206
        seen: list[str] = []
        last, pages = None, 0
        while True:
            answer = await now.events(last)
            seen += [str(item.objectIdentifier) for item in answer.listOfEventSummaries]
            pages += 1
            if not answer.moreEvents:
                break
            last = ObjectIdentifier(seen[-1])
            assert pages < 5
    assert (len(seen), len(set(seen)), pages) == (5, 5, 3)


@pytest.mark.outsider_writes
async def test_limits_can_be_moved_and_detection_switched_off() -> None:
    async with scene() as now:
        level = at(now.plant, LEVEL)
        await now.asker.write_property(now.address, level, "high-limit", 20.0)
        await now.asker.write_property(now.address, level, "time-delay", 2)
        await now.scan(3)
        assert await now.states() == {str(level): (HIGH, [0, 1, 1])}
        await now.asker.write_property(now.address, level, "event-detection-enable", False)
        assert await now.states() == {}
        assert str(await now.asker.read_property(now.address, level, "event-state")) == "normal"


async def test_an_independent_client_reads_the_summary_and_acknowledges() -> None:
    async with scene() as now:
        now.still.values[LEVEL] = 40.0
        await now.scan(61)
        level, address = Identifier(ObjectType.ANALOG_INPUT, at(now.plant, LEVEL)[1]), str(now.address)
        async with BACnetClient("127.0.0.1", 0, "127.255.255.255", apdu_timeout_ms=2_000) as client:
            assert (await client.read_property(address, level, P.EVENT_STATE)).value == 3  # high-limit
            stamp = BACnetTimeStamp.date_time((2025, 11, 24, 1), (10, 1, 1, 0))
            await client.acknowledge_alarm_request(address, 7, level, EventState.HIGH_LIMIT, stamp, "JD", stamp)
            acknowledged: Any = (await client.read_property(address, level, P.ACKED_TRANSITIONS)).value
            assert acknowledged["data"][0] & 0xE0 == 0xE0
            information = bytes(await client.get_event_information(address))
    # one summary: object, state 3, all transitions acknowledged, no more events (clause 13.12, encoded as clause 21 says)
    assert information.startswith(
        bytes.fromhex("0E 0C") + (int(at(now.plant, LEVEL)[1])).to_bytes(4, "big") + bytes.fromhex("19 03 2A 05 E0")
    )
    assert information.endswith(bytes.fromhex("0F 19 00"))
