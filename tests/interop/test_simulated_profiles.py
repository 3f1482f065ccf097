"""Small controllers, and controllers behind a router, as an independent client sees them.

Longest APDU and segmentation: ANSI/ASHRAE 135, clauses 5.2, 18.10 and 20.1.2.5. Objects per answer, from the encoding in
clauses 20.2 and 21: 3 octets of header, then 7 per object and 4 per property besides its value.
"""

from __future__ import annotations

import socket
from collections.abc import AsyncIterator
from contextlib import asynccontextmanager
from dataclasses import replace
from typing import Any

import pytest
from bacpypes3.app import Application
from bacpypes3.local.device import DeviceObject
from bacpypes3.local.networkport import NetworkPortObject
from bacpypes3.pdu import Address, RemoteBroadcast
from bacpypes3.primitivedata import ObjectIdentifier as Stacks
from rusty_bacnet import (
    BacnetAbortError,
    BACnetClient,
    BacnetRejectError,
    ObjectIdentifier,
    ObjectType,
    PropertyIdentifier,
)

from plantview.config.ports import free_port
from plantview.model.plant import Device, Plant
from plantview.simulator.devices import Rig, rig
from plantview.simulator.devices.profiles import FULL, PLAIN, SMALL, profile_of
from tests.interop.simulated import StillPlant, bacnet_point, bench_plant

P = PropertyIdentifier
POINTS = 100


def crowd() -> Plant:
    """Return a controller with a hundred analog inputs."""
    return bench_plant(*(bacnet_point(f"t{at}", "analog-input", at, {}) for at in range(1, POINTS + 1)))


@asynccontextmanager
async def served(plant: Plant) -> AsyncIterator[tuple[Rig, BACnetClient, StillPlant]]:
    still = StillPlant(plant)
    async with (
        rig(plant, still) as devices,
        BACnetClient("127.0.0.1", 0, "127.255.255.255", apdu_timeout_ms=1_000) as client,
    ):
        yield devices, client, still


async def values(client: BACnetClient, plant: Plant, count: int) -> list[float]:
    """Return the first present values in one exchange."""
    specs: Any = [
        (ObjectIdentifier(ObjectType.ANALOG_INPUT, at), [(P.PRESENT_VALUE, None)]) for at in range(1, count + 1)
    ]
    answer: Any = await client.read_property_multiple(plant.devices["CONTROLLER"].address, specs)
    return [row["results"][0]["value"].value for row in answer]


@pytest.mark.parametrize(("octets", "most"), [(1024, 63), (480, 29), (206, 12), (128, 7)])
async def test_a_controller_without_segments_answers_what_fits_and_aborts_one_object_more(
    octets: int, most: int
) -> None:
    plant = crowd()
    async with served(plant) as (devices, client, still):
        await devices.controller("CONTROLLER").shrink(octets)
        devices.refresh()
        if octets == SMALL.octets:
            assert most == (octets - 3) // 16  # object 5, list tags 2, property 2, its tags 2, value 5
        assert await values(client, plant, most) == [still.values[f"t{at}"] for at in range(1, most + 1)]
        with pytest.raises(BacnetAbortError) as caught:
            await values(client, plant, most + 1)
    assert "reason=4" in str(caught.value) or "reason=1" in str(
        caught.value
    )  # segmentation not supported; request too long


async def test_its_device_object_and_its_i_am_say_what_it_takes() -> None:
    plant = crowd()
    device = plant.devices["CONTROLLER"]
    async with served(plant) as (devices, client, _):
        await devices.controller("CONTROLLER").shrink(206)
        at = ObjectIdentifier(ObjectType.DEVICE, device.unit)
        assert (await client.read_property(device.address, at, P.MAX_APDU_LENGTH_ACCEPTED)).value == 206
        assert (await client.read_property(device.address, at, P.SEGMENTATION_SUPPORTED)).value == 3  # no-segmentation
        await devices.controller("CONTROLLER").shrink(None)
        assert (await client.read_property(device.address, at, P.MAX_APDU_LENGTH_ACCEPTED)).value == FULL.octets


async def test_the_plainest_controller_rejects_every_service_but_reading_and_writing_one_property() -> None:
    plant = crowd()
    device = plant.devices["CONTROLLER"]
    point = ObjectIdentifier(ObjectType.ANALOG_INPUT, 1)
    async with served(plant) as (devices, client, still):
        await devices.controller("CONTROLLER").shrink(50)
        devices.refresh()
        with pytest.raises(BacnetRejectError) as caught:
            await values(client, plant, 1)
        assert "reason=9" in str(caught.value)  # unrecognized-service
        with pytest.raises(BacnetRejectError):
            await client.subscribe_cov(device.address, 1, point, False, 60)
        with pytest.raises(BacnetAbortError):  # its object list does not fit, and it has no segments
            await client.read_property(device.address, ObjectIdentifier(ObjectType.DEVICE, device.unit), P.OBJECT_LIST)
        listed = [(await client.read_property(device.address, ObjectIdentifier(ObjectType.DEVICE, device.unit), P.OBJECT_LIST, at)).value
                  for at in (0, 1, 2)]  # fmt: skip
        assert listed == [1 + POINTS, ObjectIdentifier(ObjectType.DEVICE, device.unit), point]
        assert (await client.read_property(device.address, point, P.PRESENT_VALUE)).value == still.values["t1"]


def test_the_label_decides_the_profile_and_only_sizes_of_the_protocol_are_taken() -> None:
    assert (profile_of("Field controller"), profile_of("pump room controller")) == (SMALL, FULL)
    assert profile_of("x", 50).lacks == PLAIN.lacks
    with pytest.raises(ValueError, match="an APDU is 50, 128, 206, 480, 1024, 1476 octets long, not 500"):
        profile_of("x", 500)


def routed() -> Plant:
    """Return three controllers on network 100 behind one router."""
    port = free_port(socket.SOCK_DGRAM)
    devices = {
        f"VAV-{at}": Device(
            f"VAV-{at}", "bacnet", "127.0.0.1", port, 5_000 + at, 5.0, 1.0, "a controller", network=100, mac=f"{at:02x}"
        )
        for at in (2, 3, 4)
    }
    points = {name: replace(bacnet_point(f"{name}.t", "analog-input", 1, {}), device=name) for name in devices}
    return replace(bench_plant(), devices=devices, points={point.name: point for point in points.values()})


@asynccontextmanager
async def router_asked(plant: Plant) -> AsyncIterator[tuple[Application, Rig, StillPlant]]:
    own = DeviceObject(objectIdentifier=("device", 4_000_000), objectName="asker", vendorIdentifier=999)
    adapter = NetworkPortObject(
        f"127.0.0.1/8:{free_port(socket.SOCK_DGRAM)}", objectIdentifier=("network-port", 1), objectName="port"
    )
    asker = Application.from_object_list([own, adapter])
    own.apduTimeout, own.numberOfApduRetries = 500, 0
    still = StillPlant(plant)
    async with rig(plant, still) as devices:
        try:
            router = Address(plant.devices["VAV-2"].address)
            await asker.nse.who_is_router_to_network(destination=router, network=100)
            yield asker, devices, still
        finally:
            asker.close()


async def test_one_router_socket_serves_every_controller_behind_it() -> None:
    plant = routed()
    async with router_asked(plant) as (asker, _, still):
        for at in (2, 3, 4):
            value = await asker.read_property(Address(f"100:{at}"), Stacks("analog-input,1"), "present-value")
            assert float(value) == still.values[f"VAV-{at}.t"]
            name = await asker.read_property(Address(f"100:{at}"), Stacks(f"device,{5_000 + at}"), "object-name")
            assert str(name) == f"VAV-{at}"


async def test_a_who_is_to_the_network_behind_finds_all_of_them() -> None:
    plant = routed()
    async with router_asked(plant) as (asker, _, _):
        heard = await asker.who_is(5_000, 5_010, RemoteBroadcast(100), 0.5)
    assert sorted(int(answer.iAmDeviceIdentifier[1]) for answer in heard) == [5_002, 5_003, 5_004]


async def test_behind_a_router_one_silent_controller_and_one_without_power_disturb_nobody() -> None:
    plant = routed()
    async with router_asked(plant) as (asker, devices, still):
        devices.silence("VAV-2", True)
        await devices.stop("VAV-3")
        for at in (2, 3):
            with pytest.raises(BaseException, match="no-response"):
                await asker.read_property(Address(f"100:{at}"), Stacks("analog-input,1"), "present-value")
        value = await asker.read_property(Address("100:4"), Stacks("analog-input,1"), "present-value")
        assert float(value) == still.values["VAV-4.t"]
        devices.silence("VAV-2", False)
        await devices.start("VAV-3")
        for at in (2, 3):
            value = await asker.read_property(Address(f"100:{at}"), Stacks("analog-input,1"), "present-value")
            assert float(value) == still.values[f"VAV-{at}.t"]
