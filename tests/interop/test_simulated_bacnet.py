"""The simulated BACnet/IP controllers as two clients of other authors see them.

rusty-bacnet is independent of the stack that serves; bacpypes3's own client is asked for what
rusty-bacnet refuses to send. Numbers of units, properties and error codes are those of the
enumerations in clause 21 of ANSI/ASHRAE 135 (from memory, agreed by both libraries).
"""

from __future__ import annotations

import math
from collections.abc import AsyncIterator
from contextlib import asynccontextmanager
from dataclasses import replace
from typing import Any

import pytest
from rusty_bacnet import (
    BacnetAbortError,
    BACnetClient,
    BacnetProtocolError,
    BacnetTimeoutError,
    ObjectIdentifier,
    ObjectType,
    PropertyIdentifier,
    PropertyValue,
)

from plantview.errors import StartRefused
from plantview.model.plant import Device, Plant
from plantview.model.point import BacnetAddress, Point
from plantview.simulator.devices import Rig, rig
from tests.interop.simulated import StillPlant, bacnet_point, bench_plant, larkfield

ANSWER_MS = 1_000
P = PropertyIdentifier
TYPES = {
    "analog-input": ObjectType.ANALOG_INPUT,
    "analog-output": ObjectType.ANALOG_OUTPUT,
    "analog-value": ObjectType.ANALOG_VALUE,
    "binary-input": ObjectType.BINARY_INPUT,
    "binary-output": ObjectType.BINARY_OUTPUT,
    "multi-state-input": ObjectType.MULTI_STATE_INPUT,
}
UNITS = {"degF": 64, "gpm": 89, "kW": 48, "%": 98, "psi": 56, "inHg": 61, "in": 32, "uS/cm": 190}
OWN_TYPES = {ObjectType.TREND_LOG, ObjectType.NOTIFICATION_CLASS, ObjectType.EVENT_ENROLLMENT}
WRITE_ACCESS_DENIED, VALUE_OUT_OF_RANGE, UNKNOWN_OBJECT = 40, 37, 31
IN_ALARM, FAULT, OVERRIDDEN, OUT_OF_SERVICE = 0x80, 0x40, 0x20, 0x10
STATES = {1: "HAND", 2: "OFF", 3: "AUTO"}


def identifier(point: Point) -> ObjectIdentifier:
    assert isinstance(point.address, BacnetAddress)
    return ObjectIdentifier(TYPES[point.address.object_type], point.address.instance)


Specifications = list[tuple[ObjectIdentifier, list[tuple[PropertyIdentifier, int | None]]]]


class Asker:
    """One client, asking one controller."""

    def __init__(self, client: BACnetClient, device: Device) -> None:
        self.client = client
        self.address = device.address

    async def read(self, point: Point, what: PropertyIdentifier) -> Any:
        return (await self.client.read_property(self.address, identifier(point), what)).value

    async def flags(self, point: Point) -> int:
        """Return status flags as their octet."""
        return int((await self.read(point, P.STATUS_FLAGS))["data"][0])

    async def several(self, points: list[Point], *what: PropertyIdentifier) -> list[list[Any]]:
        """Return one row per point, read in one exchange."""
        specs: Specifications = [(identifier(point), [(each, None) for each in what]) for point in points]
        answer: Any = await self.client.read_property_multiple(self.address, specs)
        return [[result["value"].value for result in row["results"]] for row in answer]

    async def write(self, point: Point, value: PropertyValue, priority: int | None = None) -> None:
        await self.client.write_property(self.address, identifier(point), P.PRESENT_VALUE, value, priority=priority)

    async def refused(self, point: Point, value: PropertyValue, what: PropertyIdentifier = P.PRESENT_VALUE) -> int:
        """Return the error code of a write that must fail."""
        with pytest.raises(BacnetProtocolError) as caught:
            await self.client.write_property(self.address, identifier(point), what, value, priority=8)
        return int(caught.value.error_code)


@asynccontextmanager
async def served(plant: Plant, device: str) -> AsyncIterator[tuple[Rig, StillPlant, Asker]]:
    still = StillPlant(plant)
    client = BACnetClient("127.0.0.1", 0, "127.255.255.255", apdu_timeout_ms=ANSWER_MS)
    async with rig(plant, still) as devices, client:
        yield devices, still, Asker(client, plant.devices[device])


async def test_every_point_reports_value_name_label_and_unit() -> None:
    plant = larkfield()
    points = [point for point in plant.points.values() if point.device == "BC-1"]
    async with served(plant, "BC-1") as (_, still, asker):
        for point in points:
            what = [P.PRESENT_VALUE, P.OBJECT_NAME, P.DESCRIPTION, P.RELIABILITY, P.OUT_OF_SERVICE]
            ((value, name, label, reliability, out_of_service),) = await asker.several([point], *what)
            assert (value, name, label) == (still.values[point.name], point.name, point.label)
            assert (reliability, out_of_service) == (0, False)
            if not point.states:
                assert await asker.read(point, P.UNITS) == UNITS[point.unit.name], point.name
    assert len(points) == 44


async def test_the_object_list_is_the_point_list_and_what_the_controller_has_of_its_own() -> None:
    plant = larkfield()
    for device in ("BC-1", "BC-2"):
        points = [identifier(point) for point in plant.points.values() if point.device == device]
        controller = ObjectIdentifier(ObjectType.DEVICE, plant.devices[device].unit)
        async with served(plant, device) as (_, _, asker):
            listed = (await asker.client.read_property(asker.address, controller, P.OBJECT_LIST)).value
            name = (await asker.client.read_property(asker.address, controller, P.OBJECT_NAME)).value
        own = [item for item in listed if item.object_type in OWN_TYPES]
        assert set(listed) - set(own) == {controller, *points}
        assert len(set(listed)) == len(listed)
        assert {item.object_type for item in own} >= {ObjectType.TREND_LOG, ObjectType.NOTIFICATION_CLASS}
        assert name == device


async def test_states_carry_their_words() -> None:
    plant = larkfield()
    async with served(plant, "BC-2") as (_, _, asker):
        proof = plant.points["CH-1.chw_flow_proof"]
        assert await asker.read(proof, P.INACTIVE_TEXT) == "NO FLOW"
        assert await asker.read(proof, P.ACTIVE_TEXT) == "FLOW"
        switch = plant.points["SCHWP-1.hand_off_auto"]
        assert await asker.read(switch, P.NUMBER_OF_STATES) == 3
        assert await asker.read(switch, P.STATE_TEXT) == ["HAND", "OFF", "AUTO"]


async def test_the_short_path_answers_as_the_stack_does() -> None:
    plant = larkfield()
    points = [point for point in plant.points.values() if point.device == "BC-2"]
    async with served(plant, "BC-2") as (devices, still, asker):
        still.values["CH-1.chw_flow"] = math.nan
        devices.refresh()
        for at in range(0, len(points), 35):  # what fits the controller's 1024 octets
            batch = points[at : at + 35]
            rows = await asker.several(batch, P.PRESENT_VALUE, P.STATUS_FLAGS, P.RELIABILITY)
            for point, row in zip(batch, rows, strict=True):
                assert row == [
                    await asker.read(point, what) for what in (P.PRESENT_VALUE, P.STATUS_FLAGS, P.RELIABILITY)
                ]


async def test_an_unknown_object_spoils_only_its_own_place_in_a_batch() -> None:
    plant = larkfield()
    known = plant.points["cwr.temp"]
    specs: Specifications = [
        (identifier(known), [(P.PRESENT_VALUE, None)]),
        (ObjectIdentifier(ObjectType.ANALOG_INPUT, 999), [(P.PRESENT_VALUE, None)]),
    ]
    async with served(plant, "BC-1") as (_, still, asker):
        answer: Any = await asker.client.read_property_multiple(asker.address, specs)
        first, second = answer
        assert first["results"][0]["value"].value == still.values["cwr.temp"]
        assert second["results"][0]["value"] is None
        assert second["results"][0]["error"][1].to_raw() == UNKNOWN_OBJECT


@pytest.mark.outsider_writes
async def test_priorities_win_in_order_and_releasing_gives_the_point_back() -> None:
    plant = larkfield()
    setpoint = plant.points["cwp-out.setpoint"]
    async with served(plant, "BC-1") as (devices, still, asker):
        own = still.values[setpoint.name]
        assert await asker.read(setpoint, P.PRIORITY_ARRAY) == [None] * 16
        assert await asker.read(setpoint, P.RELINQUISH_DEFAULT) == own
        await asker.write(setpoint, PropertyValue.real(70.5), 10)
        await asker.write(setpoint, PropertyValue.real(72.5), 8)
        array = await asker.read(setpoint, P.PRIORITY_ARRAY)
        assert (array[7], array[9], array.count(None)) == (72.5, 70.5, 14)
        assert await asker.read(setpoint, P.PRESENT_VALUE) == 72.5
        await asker.write(setpoint, PropertyValue.null(), 8)
        assert await asker.read(setpoint, P.PRESENT_VALUE) == 70.5
        still.values[setpoint.name] = 70.5  # the plant follows, which must not pass for its own command
        devices.refresh()
        assert await asker.read(setpoint, P.RELINQUISH_DEFAULT) == own
        await asker.write(setpoint, PropertyValue.null(), 10)
        assert await asker.read(setpoint, P.PRESENT_VALUE) == own
        still.values[setpoint.name] = 68.25
        devices.refresh()
        assert await asker.read(setpoint, P.RELINQUISH_DEFAULT) == 68.25
    name = setpoint.name
    assert still.commands == [(name, 70.5), (name, 72.5), (name, 70.5), (name, None)]


@pytest.mark.outsider_writes
async def test_a_released_point_shows_the_plants_own_command_even_if_that_is_what_the_outsider_wanted() -> None:
    plant = larkfield()
    setpoint = plant.points["cwp-out.setpoint"]
    async with served(plant, "BC-1") as (devices, still, asker):
        await asker.write(setpoint, PropertyValue.real(70.5), 8)
        still.values[setpoint.name] = 70.5
        devices.refresh()
        await asker.write(setpoint, PropertyValue.null(), 8)
        devices.refresh()
        assert await asker.read(setpoint, P.PRESENT_VALUE) == 70.5
        assert await asker.read(setpoint, P.RELINQUISH_DEFAULT) == 70.5


@pytest.mark.outsider_writes
async def test_a_start_command_is_taken_over_as_its_state() -> None:
    plant = larkfield()
    command = plant.points["CWP-1.command"]
    async with served(plant, "BC-1") as (devices, still, asker):
        await asker.write(command, PropertyValue.enumerated(1), 8)
        assert await asker.several([command], P.PRESENT_VALUE, P.STATUS_FLAGS) == [
            [1, {"unused_bits": 4, "data": b"\0"}]
        ]
        await asker.write(command, PropertyValue.null(), 8)
        assert devices.writes.count == 2
        assert devices.writes.last[0].what == "binary-output,1 present-value priority 8"
    assert still.commands == [("CWP-1.command", 1.0), ("CWP-1.command", None)]


@pytest.mark.outsider_writes
async def test_a_multi_state_command_takes_only_states_that_it_has() -> None:
    mode = bacnet_point("mode", "multi-state-value", 1, STATES, commandable=True)
    plant = bench_plant(mode)
    at = ObjectIdentifier(ObjectType.MULTI_STATE_VALUE, 1)
    async with served(plant, "CONTROLLER") as (_, still, asker):
        await asker.client.write_property(asker.address, at, P.PRESENT_VALUE, PropertyValue.unsigned(3), priority=9)
        for unknown in (0, 4):
            value = PropertyValue.unsigned(unknown)
            with pytest.raises(BacnetProtocolError) as caught:
                await asker.client.write_property(asker.address, at, P.PRESENT_VALUE, value, priority=9)
            assert caught.value.error_code == VALUE_OUT_OF_RANGE
    assert still.commands[0] == ("mode", 3.0)


@pytest.mark.outsider_writes
async def test_what_a_technician_cannot_change_is_refused_and_never_reaches_the_plant() -> None:
    plant = larkfield()
    sensor, setpoint = plant.points["cwr.temp"], plant.points["cwp-out.setpoint"]
    async with served(plant, "BC-1") as (devices, still, asker):
        assert await asker.refused(sensor, PropertyValue.real(1.0)) == WRITE_ACCESS_DENIED
        assert await asker.refused(sensor, PropertyValue.character_string("x"), P.OBJECT_NAME) == WRITE_ACCESS_DENIED
        assert await asker.refused(setpoint, PropertyValue.real(1.0), P.RELINQUISH_DEFAULT) == WRITE_ACCESS_DENIED
        assert await asker.refused(setpoint, PropertyValue.real(math.nan)) == VALUE_OUT_OF_RANGE
        assert await asker.refused(setpoint, PropertyValue.real(setpoint.high + 1)) == VALUE_OUT_OF_RANGE
        assert devices.writes.count == 5
        assert await asker.read(setpoint, P.PRIORITY_ARRAY) == [None] * 16
    assert still.commands == []


@pytest.mark.outsider_writes
async def test_out_of_service_a_sensor_shows_what_was_written_and_says_so() -> None:
    plant = larkfield()
    sensor = plant.points["cwr.temp"]
    async with served(plant, "BC-1") as (devices, still, asker):
        at = identifier(sensor)
        await asker.client.write_property(asker.address, at, P.OUT_OF_SERVICE, PropertyValue.boolean(True))
        await asker.write(sensor, PropertyValue.real(99.5))
        still.values[sensor.name] = 77.0
        devices.refresh()
        assert await asker.read(sensor, P.PRESENT_VALUE) == 99.5
        assert await asker.flags(sensor) == OUT_OF_SERVICE
        ((value, flags),) = await asker.several([sensor], P.PRESENT_VALUE, P.STATUS_FLAGS)
        assert (value, flags["data"][0]) == (99.5, OUT_OF_SERVICE)
        await asker.client.write_property(asker.address, at, P.OUT_OF_SERVICE, PropertyValue.boolean(False))
        devices.refresh()
        assert (await asker.read(sensor, P.PRESENT_VALUE), await asker.flags(sensor)) == (77.0, 0)


@pytest.mark.outsider_writes
async def test_out_of_service_a_command_no_longer_acts_on_the_plant() -> None:
    plant = larkfield()
    command = plant.points["CWP-1.command"]
    async with served(plant, "BC-1") as (_, still, asker):
        at = identifier(command)
        await asker.client.write_property(asker.address, at, P.OUT_OF_SERVICE, PropertyValue.boolean(True))
        await asker.write(command, PropertyValue.enumerated(1), 8)
        assert still.commands == []
        await asker.client.write_property(asker.address, at, P.OUT_OF_SERVICE, PropertyValue.boolean(False))
        assert still.commands == [("CWP-1.command", 1.0)]


async def test_a_lost_sensor_raises_the_fault_flag_and_keeps_no_claim_to_be_reliable() -> None:
    plant = larkfield()
    sensor = plant.points["cwr.temp"]
    async with served(plant, "BC-1") as (devices, still, asker):
        last = still.values.pop(sensor.name)
        devices.refresh()
        assert (await asker.flags(sensor), await asker.read(sensor, P.RELIABILITY)) == (FAULT, 1)  # 1: no-sensor
        assert await asker.read(sensor, P.PRESENT_VALUE) == last
        still.values[sensor.name] = 80.0
        devices.refresh()
        assert (await asker.flags(sensor), await asker.read(sensor, P.RELIABILITY)) == (0, 0)
        assert await asker.read(sensor, P.PRESENT_VALUE) == 80.0


@pytest.mark.outsider_writes
async def test_a_silent_controller_hears_nothing_and_answers_again_afterwards() -> None:
    plant = larkfield()
    command, elsewhere = plant.points["CWP-1.command"], plant.points["PCHWP-1.status"]
    async with served(plant, "BC-1") as (devices, still, asker):
        other = Asker(asker.client, plant.devices["BC-2"])
        devices.silence("BC-1", True)
        quick = BACnetClient("127.0.0.1", 0, "127.255.255.255", apdu_timeout_ms=50)
        async with quick:
            with pytest.raises((BacnetTimeoutError, BacnetAbortError)):
                await Asker(quick, plant.devices["BC-1"]).write(command, PropertyValue.enumerated(1), 8)
        assert still.commands == []
        assert await other.read(elsewhere, P.PRESENT_VALUE) == still.values[elsewhere.name]
        devices.silence("BC-1", False)
        assert await asker.read(command, P.PRESENT_VALUE) == still.values[command.name]


@pytest.mark.outsider_writes
async def test_switched_off_and_on_a_controller_forgets_priorities_and_shows_the_plant() -> None:
    plant = larkfield()
    setpoint = plant.points["cwp-out.setpoint"]
    async with served(plant, "BC-1") as (devices, still, asker):
        await asker.write(setpoint, PropertyValue.real(70.0), 8)
        await devices.stop("BC-1")
        assert still.commands == [(setpoint.name, 70.0), (setpoint.name, None)]
        still.values[setpoint.name] = 66.0
        await devices.start("BC-1")
        assert await asker.read(setpoint, P.PRESENT_VALUE) == 66.0
        assert await asker.read(setpoint, P.PRIORITY_ARRAY) == [None] * 16


async def test_a_port_in_use_is_refused_in_a_sentence_and_leaves_nothing_open() -> None:
    plant = larkfield()
    async with served(plant, "BC-1"):
        with pytest.raises(
            StartRefused, match=r"BC-1 cannot listen on UDP 127\.0\.0\.1:\d+: another program .* -> stop"
        ):
            async with rig(plant, StillPlant(plant)):
                raise AssertionError("it must not start")
    async with served(plant, "BC-2") as (_, still, asker):
        point = plant.points["chw-supply.temp"]
        assert await asker.read(point, P.PRESENT_VALUE) == still.values[point.name]


async def test_a_host_name_is_refused_for_bacnet() -> None:
    plant = larkfield()
    named = {"BC-1": replace(plant.devices["BC-1"], host="localhost")}
    with pytest.raises(
        StartRefused, match=r"BC-1 cannot listen on localhost:\d+: BACnet/IP takes no host names -> write"
    ):
        async with rig(replace(plant, devices=named, points={}), StillPlant(plant)):
            raise AssertionError("it must not start")
