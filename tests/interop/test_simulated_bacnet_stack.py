"""The simulated controllers before bacpypes3's client and a bare socket: discovery, changes of value, odd requests.

Octets of the bare socket follow ANSI/ASHRAE 135, clause 20 (APDU), clause 6 (NPDU) and annex J (BVLL).
"""

from __future__ import annotations

import asyncio
import socket
from collections.abc import AsyncIterator
from contextlib import asynccontextmanager
from dataclasses import replace
from typing import Any

import pytest
from bacpypes3.apdu import ErrorRejectAbortNack
from bacpypes3.app import Application
from bacpypes3.basetypes import EngineeringUnits
from bacpypes3.local.device import DeviceObject
from bacpypes3.local.networkport import NetworkPortObject
from bacpypes3.pdu import Address, GlobalBroadcast
from bacpypes3.primitivedata import ObjectIdentifier
from hypothesis import given
from hypothesis import strategies as st

from plantview.config.ports import free_port
from plantview.model.plant import Plant
from plantview.simulator.devices import Rig, rig
from plantview.simulator.devices.bacnet_screen import undecodable
from plantview.simulator.devices.bacnet_short_path import short_answer
from plantview.simulator.devices.bacnet_units import ENGINEERING_UNITS, engineering_units
from tests.interop.simulated import StillPlant, bacnet_point, bench_plant, larkfield

ANSWER_S = 2.0
SPELLED_OUT = {
    "degC": "degrees-celsius",
    "degF": "degrees-fahrenheit",
    "K": "delta-degrees-kelvin",
    "delta_degF": "delta-degrees-fahrenheit",
    "L/s": "liters-per-second",
    "m3/h": "cubic-meters-per-hour",
    "gpm": "us-gallons-per-minute",
    "kPa": "kilopascals",
    "hPa": "hectopascals",
    "psi": "pounds-force-per-square-inch",
    "bar": "bars",
    "inHg": "inches-of-mercury",
    "kW": "kilowatts",
    "ton": "tons-refrigeration",
    "kBtu/h": "kilo-btus-per-hour",
    "kWh": "kilowatt-hours",
    "MWh": "megawatt-hours",
    "ton_h": "ton-hours",
    "%": "percent",
    "Hz": "hertz",
    "A": "amperes",
    "h": "hours",
    "mm": "millimeters",
    "in": "inches",
    "mm/s": "millimeters-per-second",
    "uS/cm": "micro-siemens",
    "ppm": "parts-per-million",
    "gal": "us-gallons",
    "m3": "cubic-meters",
    "lb": "pounds-mass",
    "hp": "horsepower",
}


@asynccontextmanager
async def asking(plant: Plant) -> AsyncIterator[tuple[Application, Rig, StillPlant]]:
    still = StillPlant(plant)
    address = f"127.0.0.1/8:{free_port(socket.SOCK_DGRAM)}"
    device = DeviceObject(objectIdentifier=("device", 4_000_000), objectName="asker", vendorIdentifier=999)
    port = NetworkPortObject(address, objectIdentifier=("network-port", 1), objectName="port")
    application = Application.from_object_list([device, port])
    device.apduTimeout, device.numberOfApduRetries = int(1000 * ANSWER_S), 0
    async with rig(plant, still) as devices:
        try:
            yield application, devices, still
        finally:
            application.close()
            await asyncio.sleep(0)


@pytest.mark.parametrize(("ours", "theirs"), SPELLED_OUT.items())
def test_our_units_are_the_standards_numbers(ours: str, theirs: str) -> None:
    assert str(EngineeringUnits(engineering_units(ours))) == theirs


def test_units_that_the_standard_lacks_are_no_units() -> None:
    assert "ftH2O" not in ENGINEERING_UNITS
    assert str(EngineeringUnits(engineering_units("ftH2O"))) == "no-units"


async def test_a_controller_answers_who_is_to_its_address_and_to_everybody() -> None:
    plant = larkfield()
    device = plant.devices["BC-1"]
    async with asking(plant) as (application, _, _):
        (directed,) = await application.who_is(device.unit, device.unit, Address(device.address), ANSWER_S)
        assert directed.iAmDeviceIdentifier == ObjectIdentifier(("device", device.unit))
        (link,) = application.link_layers.values()
        link.server.broadcast_address = ("127.255.255.255", device.port)
        (broadcast,) = await application.who_is(device.unit, device.unit, GlobalBroadcast(), ANSWER_S)
        assert broadcast.iAmDeviceIdentifier == ObjectIdentifier(("device", device.unit))
        assert await application.who_is(1, 2, Address(device.address), 0.05) == []


async def test_controllers_that_share_a_port_on_two_addresses_both_hear_a_broadcast() -> None:
    plant = larkfield()
    port = plant.devices["BC-1"].port
    devices = {
        name: replace(plant.devices[name], host=f"127.0.0.{at}", port=port) for at, name in ((3, "BC-1"), (4, "BC-2"))
    }
    points = {name: point for name, point in plant.points.items() if point.device in devices}
    async with asking(replace(plant, devices=devices, points=points)) as (application, _, _):
        (link,) = application.link_layers.values()
        link.server.broadcast_address = ("127.255.255.255", port)
        heard = await application.who_is(200_101, 200_102, GlobalBroadcast(), 0.3)
    assert {answer.iAmDeviceIdentifier[1] for answer in heard} == {200_101, 200_102}


async def test_a_batch_too_long_for_one_datagram_arrives_in_segments() -> None:
    plant = larkfield()
    device = plant.devices["BC-2"]
    points = [point for point in plant.points.values() if point.device == "BC-2"]
    wanted: list[Any] = []
    for point in points:
        wanted += [str(point.address), ["present-value", "status-flags", "reliability", "object-name"]]
    async with asking(plant) as (application, _, still):
        application.device_object.maxSegmentsAccepted = 64
        answer = await application.read_property_multiple(Address(device.address), wanted)
        names = [value for _, what, _, value in answer if str(what) == "object-name"]
        values = [float(value) for _, what, _, value in answer if str(what) == "present-value"]
    assert names == [point.name for point in points]
    assert values == [still.values[point.name] for point in points]


@pytest.mark.outsider_writes
async def test_priority_17_is_refused() -> None:
    plant = larkfield()
    async with asking(plant) as (application, _, still):
        with pytest.raises(ErrorRejectAbortNack):
            await application.write_property(
                Address(plant.devices["BC-1"].address),
                ObjectIdentifier("analog-value,1"),
                "present-value",
                70.0,
                None,
                17,
            )
    assert still.commands == []


async def test_a_subscriber_hears_of_a_change() -> None:
    plant = larkfield()
    at = Address(plant.devices["BC-1"].address)
    async with asking(plant) as (application, devices, still):
        subscription = application.change_of_value(at, ObjectIdentifier("analog-input,24"), 1, False, 30)
        async with subscription as changes, asyncio.timeout(ANSWER_S):
            assert await _heard(changes, "present-value") == still.values["cwp-out.temp"]
            still.values["cwp-out.temp"] = 91.25
            devices.refresh()
            assert await _heard(changes, "present-value") == 91.25


async def _heard(changes: Any, wanted: str) -> float:
    while True:
        what, value = await changes.get_value()
        if str(what) == wanted:
            return float(value)


async def test_every_kind_of_object_that_a_point_list_may_name_is_served() -> None:
    numbers = (
        "analog-input",
        "analog-output",
        "analog-value",
        "large-analog-value",
        "integer-value",
        "positive-integer-value",
        "accumulator",
    )
    two = {0: "OFF", 1: "ON"}
    three = {1: "HAND", 2: "OFF", 3: "AUTO"}
    points = [
        *(bacnet_point(kind, kind, 7, {}) for kind in numbers),
        *(bacnet_point(kind, kind, 7, two) for kind in ("binary-input", "binary-output", "binary-value")),
        *(
            bacnet_point(kind, kind, 7, three)
            for kind in ("multi-state-input", "multi-state-output", "multi-state-value")
        ),
    ]
    plant = bench_plant(*points)
    async with asking(plant) as (application, devices, still):
        for point in points:
            still.values[point.name] = 1.0 if point.states else 42.0
        devices.refresh()
        for point in points:
            identifier = ObjectIdentifier(str(point.address))
            value = await application.read_property(
                Address(plant.devices["CONTROLLER"].address), identifier, "present-value"
            )
            assert float(value) == still.values[point.name], point.name
            flags = await application.read_property(
                Address(plant.devices["CONTROLLER"].address), identifier, "status-flags"
            )
            assert list(flags) == [0, 0, 0, 0], point.name


def _confirmed(apdu: str) -> bytes:
    body = bytes.fromhex("0104" + apdu)
    return bytes.fromhex("810A") + (len(body) + 4).to_bytes(2, "big") + body


async def _answer(plant: Plant, *requests: bytes) -> bytes:
    """Return the first thing that a controller answers to datagrams sent one after the other."""
    loop = asyncio.get_running_loop()
    device = plant.devices["BC-1"]
    with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as asker:
        asker.setblocking(False)
        asker.bind(("127.0.0.1", 0))
        for request in requests:
            await loop.sock_sendto(asker, request, (device.host, device.port))
        async with asyncio.timeout(ANSWER_S):
            return await loop.sock_recv(asker, 1500)


READ_ONE = "0E 0C 00000018 1E 09 55 1F"  # present value of analog-input 24
READ_TWO = "0E 0C 00000018 1E 09 55 09 6F 1F 0C 00000019 1E 09 55 1F"


async def test_the_octets_of_an_answer_are_those_of_the_standard() -> None:
    plant = larkfield()
    still = StillPlant(plant)
    still.values["cwp-out.temp"] = 72.3125  # 4290A000 in IEEE 754
    async with rig(plant, still):
        answer = await _answer(plant, _confirmed("02 05 2A" + READ_ONE))
    assert answer == bytes.fromhex("810A 0019 0100 30 2A 0E 0C 00000018 1E 29 55 4E 44 4290A000 4F 1F")


async def test_an_answer_that_the_asker_cannot_take_is_not_sent_in_one_piece() -> None:
    plant = larkfield()
    everything = "0E" + "".join(f"0C {0x00000001 + at:08X} 1E 09 55 09 6F 09 67 1F" for at in range(29))
    async with rig(plant, StillPlant(plant)):
        answer = await _answer(plant, _confirmed("00 00 2B" + everything))  # takes 50 octets, no segments
    assert answer[6] >> 4 == 7, answer.hex(" ")  # an Abort
    assert answer[7:] == bytes((0x2B, 4))  # segmentation-not-supported


@pytest.mark.parametrize(
    "octets",
    [
        "",
        "81",
        "810A 0004",
        "810A 0011 0104 02 05 2C 0E 0C 0000",  # ends in the middle of an object identifier
        "810A 0014 0104 02 05 2C 0E 0C 00000018 1E 09 55",  # no end of the list
        "01 02 03 04 05 06 07 08 09 0A 0B 0C",
    ],
)
async def test_a_datagram_that_makes_no_sense_does_no_harm(octets: str) -> None:
    plant = larkfield()
    sensible = _confirmed("02 05 2D" + READ_TWO)
    async with rig(plant, StillPlant(plant)):
        answer = await _answer(plant, bytes.fromhex(octets), sensible)
        assert answer[6:8] == bytes((0x30, 0x2D)), answer.hex(" ")


@pytest.mark.parametrize(
    ("apdu", "reason"),
    [
        ("02 05 2C 63 00", 9),  # a service that does not exist: unrecognized-service
        ("02 05 2C 06 00", 9),  # AtomicReadFile, which this controller lacks
        ("02 05 2C 0C 0C 00000018", 4),  # ReadProperty that ends before its property
        ("02 05 2C 0C 0C 0000", 4),  # an object identifier that ends too early: invalid-tag
    ],
)
async def test_what_a_controller_cannot_understand_it_rejects_by_its_name(apdu: str, reason: int) -> None:
    plant = larkfield()
    async with rig(plant, StillPlant(plant)):
        answer = await _answer(plant, _confirmed(apdu))
    assert answer[6:] == bytes((0x60, 0x2C, reason)), answer.hex(" ")


@given(st.binary(max_size=60))
def test_the_short_path_leaves_every_request_that_is_not_its_own_to_the_stack(octets: bytes) -> None:
    assert short_answer(octets, {}) is None
    assert short_answer(_confirmed("02 05 2E 0E" + octets.hex()), {}) is None


@given(st.sampled_from([5, 12, 14, 15, 16, 26, 29, 0, 3]), st.binary(max_size=40))
def test_whatever_a_request_holds_a_controller_either_understands_it_or_names_a_reject(
    service: int, octets: bytes
) -> None:
    request = bytes((0x00, 0x05, 0x2C, service)) + octets
    refusal = undecodable(request, 0x2C)
    assert refusal is None or (refusal.apduInvokeID, 0 <= int(refusal.apduAbortRejectReason) <= 9) == (0x2C, True)
