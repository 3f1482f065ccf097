"""What polling may cost a device, a gateway, a network: requests are counted where they arrive."""

from __future__ import annotations

import asyncio
import dataclasses

import pytest
from typing_extensions import override

from plantview.clock import ManualClock, SystemClock
from plantview.model.plant import Adapter
from plantview.polling.bacnet_path import BacnetPath
from plantview.polling.budget import BURST_S, shared
from plantview.polling.line import Line
from plantview.polling.outlets import Outlets
from tests.faults import modbus_device as modbus
from tests.faults.polled import (
    Outcomes,
    bacnet_device,
    modbus_device,
    object_point,
    plant_of,
    polling,
    register_point,
)
from tests.faults.test_polling_fast import Counted

PER_S = 20.0
APART = 200
"""Registers between two points, more than is read along: each is a request of its own."""


def most_in(times: list[float], window_s: float) -> int:
    """Return the most arrivals within any stretch of so many seconds."""
    return max(sum(begin <= at < begin + window_s for at in times) for begin in times)


async def test_units_of_one_gateway_together_never_ask_more_often_than_its_budget() -> None:
    came: list[float] = []
    enough = asyncio.Event()

    def counting(device: modbus.Device, request: modbus.Request) -> bytes | None:
        came.append(asyncio.get_running_loop().time())
        if len(came) >= PER_S:
            enough.set()
        return modbus.honest(device, request)

    async with modbus.serving(counting) as gateway:
        units = [
            dataclasses.replace(modbus_device(f"U{number}", gateway.port, number, timeout_s=2.0), requests_per_s=PER_S)
            for number in (1, 2, 3)
        ]
        points = [register_point(f"{one.id}-{n}", one, f"holding {n * APART}") for one in units for n in range(8)]
        async with polling(plant_of(units, points), SystemClock()):  # 120 requests a second are due
            await asyncio.wait_for(enough.wait(), 10)
    spare = BURST_S * PER_S + 2  # what may leave together after a pause, and one at each end of the stretch
    assert most_in(came, 0.5) <= 0.5 * PER_S + spare
    assert {request.unit for request in gateway.asked} == {1, 2, 3}


async def test_devices_behind_one_router_share_its_budget_and_a_device_beside_it_has_its_own(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    behind = dataclasses.replace(bacnet_device("R", 1, 1), network=7, requests_per_s=2.0)
    routed = [dataclasses.replace(behind, id=f"R{number}", mac=f"0{number}", unit=number) for number in (1, 2)]
    alone = dataclasses.replace(bacnet_device("IP", 2, 9), requests_per_s=10.0)
    devices = [*routed, alone]
    points = {device.id: [object_point(device.id, device, "analog-input,1")] for device in devices}
    path = BacnetPath(Adapter("127.0.0.1/8", 0), _Deaf(), devices, points, SystemClock(), Outcomes().take, Outlets())  # type: ignore[arg-type]
    assert sorted(len(line) for line in path.paths()) == [1, 2]
    waited: list[float] = []

    async def wait(seconds: float) -> None:
        waited.append(seconds)

    monkeypatch.setattr("plantview.polling.budget.asyncio.sleep", wait)
    one, other, beside = (station._reader._budget for line in path.paths() for station in line)  # type: ignore[attr-defined]
    await one()
    await beside()
    assert waited == []
    await other()
    assert waited == [pytest.approx(0.5, abs=0.2)], "two a second for both together"


class _Deaf:
    """An adapter that nothing is sent through."""

    heard_change = None
    port = 0

    def known_as(self, place: str) -> str:
        return place


@pytest.mark.parametrize(
    ("budgets", "speed", "per_s"),
    [((10.0, 10.0), 1.0, 10.0), ((2.0, 10.0), 1.0, 10.0), ((10.0, 0.0), 1.0, 0.0), ((10.0,), 20.0, 200.0)],
)
def test_a_path_is_asked_as_often_as_the_largest_of_its_budgets_in_time_of_the_plant(
    budgets: tuple[float, ...], speed: float, per_s: float
) -> None:
    device = bacnet_device("A", 1, 1)
    assert shared([dataclasses.replace(device, requests_per_s=one) for one in budgets], speed).per_s == per_s


async def test_waiting_for_a_budget_keeps_no_path_busy() -> None:
    clock = ManualClock()

    class Paced(Counted):
        @override
        async def poll(self, period_s: float) -> None:
            for _ in range(4):
                await self.turn()
                await self.clock.sleep(0.05)

        async def turn(self) -> None:
            await self.metered(lambda: self.clock.sleep(0.45))()

    one = Paced(bacnet_device("A", 1, 1, period_s=5.0), clock)
    line = Line([one], clock, range(1), 1)
    running = asyncio.create_task(line.run())
    await clock.advance(21)
    assert line.busy() == pytest.approx(4 * 0.05 / 5, rel=0.3)
    assert one.health.as_dict(one.plan())["cycle_ms"] == 200
    running.cancel()
    await asyncio.gather(running, return_exceptions=True)
