"""Changes of value as independent subscribers of the simulated controllers hear of them.

Subscription, increment, lifetime and confirmed notifications: ANSI/ASHRAE 135, clauses 13.1 and 13.14. The subscriber is
rusty-bacnet, which shares nothing with the stack that serves.
"""

from __future__ import annotations

import asyncio
import math
from collections.abc import AsyncIterator
from contextlib import asynccontextmanager
from dataclasses import dataclass
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
from plantview.model.plant import Plant
from plantview.simulator.devices import Rig, rig
from plantview.simulator.devices.profiles import FULL
from tests.interop.simulated import StillPlant, bacnet_point, bench_plant, larkfield

P = PropertyIdentifier
POINT, AT = "cwp-out.temp", ObjectIdentifier(ObjectType.ANALOG_INPUT, 24)
FAULT, OUT_OF_SERVICE = 0x40, 0x10
NO_SPACE_TO_ADD = 19  # no-space-to-add-list-element
HEARD_S = 3.0


@dataclass
class Scene:
    client: BACnetClient
    address: str
    devices: Rig
    still: StillPlant
    notices: Any

    async def subscribe(
        self, item: ObjectIdentifier = AT, *, confirmed: bool = False, process: int = 1, lifetime: int = 60
    ) -> None:
        await self.client.subscribe_cov(self.address, process, item, confirmed, lifetime)

    async def heard(self) -> tuple[float, int]:
        """Return value and status flags of the next notification."""
        async with asyncio.timeout(HEARD_S):
            notice = await anext(self.notices)
        values = {item["property_id"]: item["value"].value for item in notice.values}
        return values[P.PRESENT_VALUE], int(values[P.STATUS_FLAGS]["data"][0])

    def shows(self, value: float, point: str = POINT) -> None:
        self.still.values[point] = value
        self.devices.refresh()


@asynccontextmanager
async def scene(plant: Plant | None = None, device: str = "BC-1") -> AsyncIterator[Scene]:
    plant = plant or larkfield()
    still = StillPlant(plant)
    client = BACnetClient("127.0.0.1", 0, "127.255.255.255", apdu_timeout_ms=1_000)
    async with rig(plant, still, ManualClock()) as devices, client:
        yield Scene(client, plant.devices[device].address, devices, still, await client.cov_notifications())


@pytest.mark.parametrize("confirmed", [False, True])
async def test_a_subscriber_hears_the_present_value_at_once_and_then_every_change_beyond_the_increment(
    confirmed: bool,
) -> None:
    async with scene() as now:
        now.shows(70.0)
        await now.subscribe(confirmed=confirmed)
        assert await now.heard() == (70.0, 0)
        now.shows(70.0625)  # below the increment of 0.1: nobody is told
        now.shows(70.5)
        assert await now.heard() == (70.5, 0)
        now.shows(70.4375)
        now.shows(69.75)
        assert await now.heard() == (69.75, 0)


@pytest.mark.outsider_writes
async def test_the_increment_can_be_set() -> None:
    async with scene() as now:
        now.shows(70.0)
        await now.client.write_property(now.address, AT, P.COV_INCREMENT, PropertyValue.real(5.0))
        await now.subscribe()
        assert (await now.heard())[0] == 70.0
        now.shows(74.0)
        now.shows(75.5)
        assert (await now.heard())[0] == 75.5


async def test_a_changed_flag_is_told_as_well() -> None:
    async with scene() as now:
        now.shows(70.0)
        await now.subscribe()
        assert await now.heard() == (70.0, 0)
        now.shows(math.nan)
        assert await now.heard() == (70.0, FAULT)
        now.shows(70.0)
        assert await now.heard() == (70.0, 0)


async def test_a_binary_input_is_told_at_every_change() -> None:
    async with scene() as now:
        now.shows(0.0, "CWP-1.status")
        await now.subscribe(ObjectIdentifier(ObjectType.BINARY_INPUT, 1))
        assert await now.heard() == (0, 0)
        now.shows(1.0, "CWP-1.status")
        assert await now.heard() == (1, 0)


async def test_a_multi_state_input_is_told_at_every_change() -> None:
    switch = bacnet_point("switch", "multi-state-input", 1, {1: "HAND", 2: "OFF", 3: "AUTO"})
    async with scene(bench_plant(switch), "CONTROLLER") as now:
        now.shows(3.0, "switch")
        await now.subscribe(ObjectIdentifier(ObjectType.MULTI_STATE_INPUT, 1))
        assert await now.heard() == (3, 0)
        now.shows(1.0, "switch")
        assert await now.heard() == (1, 0)


async def test_a_subscription_ends_with_its_lifetime() -> None:
    async with scene() as now:
        now.shows(70.0)
        await now.subscribe(lifetime=1)
        async with asyncio.timeout(HEARD_S):
            notice = await anext(now.notices)
            assert notice.time_remaining == 1
            now.shows(75.0)
            assert (await now.heard())[0] == 75.0
            ended = asyncio.get_running_loop().create_future()
            asyncio.get_running_loop().call_later(1.5, ended.set_result, None)
            await ended
        now.shows(80.0)
        now.shows(70.0)
        await now.subscribe(process=2)
        assert (await now.heard())[0] == 70.0  # the new subscription's first, nothing of the old one


async def test_after_unsubscribing_or_a_power_failure_nothing_comes_any_more() -> None:
    async with scene() as now:
        now.shows(70.0)
        await now.subscribe()
        await now.heard()
        await now.client.unsubscribe_cov(now.address, 1, AT)
        now.shows(80.0)
        await now.subscribe(process=2)
        assert (await now.heard())[0] == 80.0  # the first that comes is the new subscription's
        await now.devices.stop("BC-1")
        await now.devices.start("BC-1")
        now.shows(90.0)
        await now.subscribe(process=3)
        assert (await now.heard())[0] == 90.0


async def test_subscriptions_are_bounded_and_a_renewal_takes_no_new_place() -> None:
    async with scene() as now:
        for process in range(FULL.subscriptions_max):
            await now.subscribe(process=process)
        await now.subscribe(process=0)
        with pytest.raises(BacnetProtocolError) as caught:
            await now.subscribe(process=FULL.subscriptions_max)
        assert int(caught.value.error_code) == NO_SPACE_TO_ADD


async def test_an_object_that_does_not_exist_is_refused() -> None:
    async with scene() as now:
        with pytest.raises(BacnetProtocolError):
            await now.subscribe(ObjectIdentifier(ObjectType.ANALOG_INPUT, 999))
