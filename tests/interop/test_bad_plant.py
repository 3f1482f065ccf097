"""A plant that was set up wrongly: the first look names what is wrong, point by point and device by device, with what to do."""

from __future__ import annotations

import asyncio
import contextlib
import socket
from collections.abc import AsyncIterator
from dataclasses import replace

import pytest

from plantview.clock import SystemClock
from plantview.model.plant import Plant
from plantview.model.point import BacnetAddress, ModbusAddress
from plantview.simulator.devices import rig
from plantview.surveying.preflight import ask_once
from plantview.surveying.verdict import BAD, NOTE, Finding, verdict
from plantview.units import unit
from tests.interop.simulated import StillPlant, larkfield

STRANGER = "127.0.0.3"
AGAIN_S = 0.02
I_AM = (
    bytes((0x81, 0x0A, 0x00, 0x14, 0x01, 0x00, 0x10, 0x00, 0xC4)),
    bytes((0x22, 0x01, 0xE0, 0x91, 0x03, 0x21, 0x18)),
)
"""BVLC, NPDU and I-Am before and after the object identifier (ASHRAE 135, clauses J.2, 6.2, 16.10.2 and annex F, from memory)."""


@contextlib.asynccontextmanager
async def somebody_says_i_am(instance: int, to: tuple[str, int]) -> AsyncIterator[None]:
    """Let a second device announce an instance again and again, from an address of its own."""
    sender = socket.socket(socket.AF_INET, socket.SOCK_DGRAM)
    sender.bind((STRANGER, to[1]))
    packet = I_AM[0] + (8 << 22 | instance).to_bytes(4, "big") + I_AM[1]

    async def repeat() -> None:
        while True:
            sender.sendto(packet, to)
            await asyncio.sleep(AGAIN_S)

    task = asyncio.create_task(repeat())
    try:
        yield
    finally:
        task.cancel()
        await asyncio.gather(task, return_exceptions=True)
        sender.close()


def described_wrongly(plant: Plant) -> Plant:
    """Return what a tired person wrote down: a unit, a byte order and an address are not those of the devices."""
    points = dict(plant.points)
    temperature, power, status = (points[name] for name in ("CH-1.chws_temp", "CH-1.power", "SCHWP-1.status"))
    assert isinstance(power.address, ModbusAddress)
    assert isinstance(status.address, BacnetAddress)
    assert (temperature.unit.name, power.address.order) == ("degF", "ABCD")
    points["CH-1.chws_temp"] = replace(temperature, unit=unit("degC", "temperature"))
    points["CH-1.power"] = replace(power, address=replace(power.address, order="CDAB"))
    points["SCHWP-1.status"] = replace(status, address=replace(status.address, instance=9_999))
    return replace(plant, points={name: replace(point, period_s=0.5) for name, point in points.items()},
                   devices={name: replace(one, period_s=0.5, timeout_s=0.5) for name, one in plant.devices.items()})  # fmt: skip


@pytest.fixture
async def found() -> list[Finding]:
    right = larkfield()
    still = StillPlant(right)
    still.values |= {f"CT-{cell}.leaving_temp": 85.0 for cell in (1, 2, 3)}
    still.values |= {"CH-1.chws_temp": 44.0, "CH-1.power": 215.0, "CH-2.chws_temp": 44.5, "CH-2.power": 210.0}
    wrong = described_wrongly(right)
    adapter = right.bacnet.host, right.bacnet.port
    async with rig(right, still), somebody_says_i_am(right.devices["BC-2"].unit, adapter):
        outcome = await ask_once(wrong, SystemClock(), lambda *_: None)
    return list(verdict(wrong, outcome, {}))


async def test_wrong_unit_wrong_byte_order_doubled_device_and_dead_point_are_each_named_at_the_first_look(
    found: list[Finding],
) -> None:
    lines = {name: [one for one in found if one.subject == name] for name in ("CH-1.chws_temp", "CH-1.power")}
    (unit_line,), (order_line,) = lines.values()
    assert (unit_line.level, unit_line.text) == (NOTE, "44 degC is unlikely here; it is probably degF")
    assert "correct the unit column" in unit_line.remedy
    assert order_line.text.endswith("is no number of a plant; its byte order is probably another")
    assert "correct the order column" in order_line.remedy
    (dead,) = [one for one in found if one.subject.startswith("SCHWP-1.status")]
    assert (dead.level, "binary-input,9999" in dead.subject, "unknown-object" in dead.text) == (BAD, True, True)
    assert "correct its address column" in dead.remedy
    (double,) = [one for one in found if one.subject == "BC-2"]
    assert (double.level, "exists twice" in double.text) == (BAD, True)
    assert STRANGER in double.text
    assert double.remedy == "give one another instance"
    named = {one.subject.split()[0] for one in found if "probably" in one.text or "unknown-object" in one.text}
    assert named == {"CH-1.chws_temp", "CH-1.power", "SCHWP-1.status"}, "what is right is left in peace"
