"""Several BACnet networks at once, each through an adapter of its own: what one hears and suffers is its own."""

from __future__ import annotations

import dataclasses
import socket

import pytest

from plantview.clock import SystemClock
from plantview.errors import StartRefused
from plantview.model.plant import Adapter, Plant
from plantview.model.quality import Quality
from plantview.polling import Polling
from tests.faults.bacnet_device import Device, Request, answer, honest, real, serving
from tests.faults.polled import LOOPBACK, Outcomes, bacnet_device, object_point, plant_of, polling

YARD = Adapter("127.0.0.2/8", 0, name="yard", requests_per_s=50.0)


def says_minus_one(device: Device, request: Request) -> list[bytes]:
    """Answer as the honest device does, with another value: which of the two was asked shows."""
    values = {(key, prop): device.value(key, prop) for key, prop in request.asked}
    for key, prop in values:
        if prop == 85:
            values[key, prop] = real(-1.0)
    return [answer(request, values)]


def _two_networks(first: Device, second: Device) -> Plant:
    """Return a plant whose two devices have the same instance, each on a network of its own."""
    here = bacnet_device("HERE", first.port, 77)
    there = dataclasses.replace(bacnet_device("THERE", second.port, 77), adapter="yard")
    points = [object_point("H", here, "analog-input,1"), object_point("T", there, "analog-input,1")]
    return dataclasses.replace(plant_of([here, there], points), adapters={"yard": YARD})


async def test_two_devices_of_one_instance_on_two_networks_are_read_through_their_own_adapters() -> None:
    async with serving(honest) as first, serving(says_minus_one) as second:
        async with polling(_two_networks(first, second), SystemClock()) as (running, outcomes):
            await outcomes.until(lambda seen: {"H.power", "T.power"} <= seen.readings.keys())
            rows = running.networks()
        assert (outcomes.readings["H.power"].value, outcomes.readings["T.power"].value) == (10.0, -1.0)
        assert first.asked
        assert second.asked
    assert [row["name"].rpartition(" ")[0] for row in rows] == [
        f"BACnet adapter {LOOPBACK}/8 port",
        "BACnet adapter yard, 127.0.0.2/8 port",
    ]
    assert [row["requests_per_s_max"] for row in rows] == [200.0, 50.0]
    assert [row["duplicates"] for row in rows] == [[], []], "one instance on two networks is no duplicate"


async def test_a_silent_network_costs_the_other_nothing() -> None:
    async with serving(honest) as first, serving(lambda *_: []) as second:
        async with polling(_two_networks(first, second), SystemClock()) as (_, outcomes):
            await outcomes.until(lambda seen: "T.power" in seen.silent and seen.told.get("H.power", 0) >= 3)
        assert outcomes.readings["H.power"].quality is Quality.GOOD
        assert "T.power" not in outcomes.readings


async def test_a_further_adapter_that_is_taken_is_named_before_anything_is_asked() -> None:
    with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as held:
        held.bind(("127.0.0.2", 0))
        taken = dataclasses.replace(YARD, port=held.getsockname()[1])
        async with serving(honest) as first, serving(honest) as second:
            plant = dataclasses.replace(_two_networks(first, second), adapters={"yard": taken})
            with pytest.raises(StartRefused, match=f"UDP port {taken.port} on 127.0.0.2 is taken by another program"):
                await Polling(plant, SystemClock(), Outcomes().take).run()
            assert (first.asked, second.asked) == ([], [])
