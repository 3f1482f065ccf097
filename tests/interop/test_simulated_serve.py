"""Serving a simulated plant: its pulse, its faults in plant time, its end, and refusals to start."""

from __future__ import annotations

import asyncio
import contextlib
import logging
import socket
from collections.abc import AsyncIterator, Iterable, Mapping
from dataclasses import replace

import pytest
from rusty_bacnet import (
    BacnetAbortError,
    BACnetClient,
    BacnetTimeoutError,
    ObjectIdentifier,
    ObjectType,
    PropertyIdentifier,
    PropertyValue,
)
from typing_extensions import override

from plantview.clock import Clock, ManualClock
from plantview.errors import StartRefused
from plantview.model.plant import Plant
from plantview.simulator.devices import Simulated
from plantview.simulator.faults import Fault
from plantview.simulator.plant import SimulatedPlant
from plantview.simulator.serve import serve
from tests.interop.simulated import StillPlant, larkfield

POINT = "cwp-out.temp"
AT = ObjectIdentifier(ObjectType.ANALOG_INPUT, 24)


class LateClock(ManualClock):
    """A clock whose every sleep lasts ten minutes, as on a computer that was suspended."""

    @override
    async def sleep(self, seconds: float) -> None:
        await asyncio.sleep(0)
        self._move(self._monotonic_s + 600.0)


class Pulse(StillPlant):
    """A plant whose one temperature counts its seconds."""

    stepped: asyncio.Event | None = None
    enough = 0

    def __init__(self, plant: Plant) -> None:
        super().__init__(plant)
        self.asked_after: list[int] = []

    @override
    def reported(self) -> Mapping[str, float]:
        self.asked_after.append(len(self.steps))
        return super().reported()

    @override
    def step(self, dt_s: float) -> None:
        super().step(dt_s)
        self.values[POINT] = float(len(self.steps))
        if self.stepped is not None and len(self.steps) >= self.enough:
            self.stepped.set()


@contextlib.asynccontextmanager
async def serving(plant: Plant, still: Simulated, clock: Clock, faults: Iterable[Fault] = ()) -> AsyncIterator[None]:
    ready = asyncio.Event()
    async with asyncio.TaskGroup() as group:
        task = group.create_task(serve(still, plant, clock, faults=faults, ready=ready))
        async with asyncio.timeout(5):
            await ready.wait()
        yield
        task.cancel()


@contextlib.asynccontextmanager
async def client(answer_ms: int = 1_000) -> AsyncIterator[BACnetClient]:
    async with BACnetClient("127.0.0.1", 0, "127.255.255.255", apdu_timeout_ms=answer_ms) as asker:
        yield asker


async def temperature(asker: BACnetClient, plant: Plant) -> float:
    value = (await asker.read_property(plant.devices["BC-1"].address, AT, PropertyIdentifier.PRESENT_VALUE)).value
    assert isinstance(value, float)
    return value


async def test_one_plant_second_is_one_step_and_the_devices_show_it() -> None:
    plant, clock = larkfield(), ManualClock()
    still = Pulse(plant)
    async with serving(plant, still, clock), client() as asker:
        assert await temperature(asker, plant) == still.values[POINT]
        await clock.advance(10)
        assert still.steps == [1.0] * 10
        assert await temperature(asker, plant) == 10.0


async def test_at_high_speed_several_steps_share_one_update() -> None:
    plant, clock = larkfield(), ManualClock()
    clock.speed = 60.0
    still = Pulse(plant)
    async with serving(plant, still, clock):
        still.asked_after.clear()
        await clock.advance(30)
    assert len(still.steps) == 30
    assert still.asked_after == [3, 6, 9, 12, 15, 18, 21, 24, 27, 30]  # 60 plant seconds a second, 20 updates a second


async def test_a_computer_that_cannot_keep_up_loses_plant_time_and_says_so_once(
    caplog: pytest.LogCaptureFixture,
) -> None:
    plant = larkfield()
    still = Pulse(plant)
    still.stepped, still.enough = asyncio.Event(), 6
    with caplog.at_level(logging.WARNING):
        async with serving(plant, still, LateClock()), asyncio.timeout(5):
            await still.stepped.wait()
    late = [record.getMessage() for record in caplog.records if "behind" in record.getMessage()]
    assert late == [
        "the simulated plant is 600 plant seconds behind and skips time: this computer is too slow for speed 1"
    ]


async def test_a_device_is_silent_while_its_fault_lasts_in_plant_time_and_the_rest_goes_to_the_plant() -> None:
    plant, clock = larkfield(), ManualClock(start_ms=1_000_000)
    still = Pulse(plant)
    silent = Fault("device-silent", "BC-1", start_s=5, duration_s=5)
    trip = Fault("pump-trip", "CWP-1")
    async with serving(plant, still, clock, [silent, trip]):
        assert still.injected == [trip]
        async with client() as asker:
            await clock.advance(4)
            assert await temperature(asker, plant) == 4.0
            await clock.advance(3)
            async with client(answer_ms=50) as hasty:
                with pytest.raises((BacnetTimeoutError, BacnetAbortError)):
                    await temperature(hasty, plant)
            await clock.advance(4)
            assert await temperature(asker, plant) == 11.0


async def test_cancelled_it_leaves_every_port_free() -> None:
    plant = larkfield()
    async with serving(plant, Pulse(plant), ManualClock()):
        pass
    for device in plant.devices.values():
        kind = socket.SOCK_DGRAM if device.protocol == "bacnet" else socket.SOCK_STREAM
        with socket.socket(socket.AF_INET, kind) as probe:
            probe.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
            probe.bind((device.host, device.port))


async def test_one_port_in_use_and_nothing_of_the_plant_is_served() -> None:
    plant = larkfield()
    taken = replace(plant.devices["METERS"], port=plant.devices["BC-2"].port, host="127.0.0.9")
    with socket.socket(socket.AF_INET, socket.SOCK_STREAM) as other:
        other.bind((taken.host, taken.port))
        other.listen()
        crowded = replace(plant, devices={**plant.devices, "METERS": taken})
        with pytest.raises(StartRefused, match=r"METERS cannot listen on TCP 127\.0\.0\.9:\d+: another program"):
            await serve(Pulse(plant), crowded, ManualClock())
    async with serving(plant, Pulse(plant), ManualClock()), client() as asker:
        assert await temperature(asker, plant) > 0


async def test_a_silence_of_something_that_is_no_device_is_refused_before_anything_starts() -> None:
    plant = larkfield()
    with pytest.raises(StartRefused, match=r"device-silent: the plant has no device 'CWP-1'; .* BC-1, BC-2"):
        await serve(Pulse(plant), plant, ManualClock(), faults=[Fault("device-silent", "CWP-1")])


@pytest.mark.outsider_writes
async def test_the_living_plant_obeys_an_outsider_and_takes_its_setpoint_back() -> None:
    plant, clock = larkfield(), ManualClock()
    living = SimulatedPlant(plant, clock.now_ms())
    name, setpoint = "chw-supply.setpoint", ObjectIdentifier(ObjectType.ANALOG_VALUE, 2)
    address, present = plant.devices["BC-2"].address, PropertyIdentifier.PRESENT_VALUE
    async with serving(plant, living, clock), client() as asker:
        own = living.reported()[name]
        await asker.write_property(address, setpoint, present, PropertyValue.real(47.5), priority=8)
        await clock.advance(3)
        assert living.reported()[name] == pytest.approx(47.5, abs=0.05)
        assert (await asker.read_property(address, setpoint, present)).value == 47.5
        await asker.write_property(address, setpoint, present, PropertyValue.null(), priority=8)
        await clock.advance(3)
        assert living.reported()[name] == pytest.approx(own, abs=0.5)
        assert (await asker.read_property(address, setpoint, present)).value == pytest.approx(living.reported()[name])


async def test_the_living_plant_has_a_value_for_every_point_that_its_devices_serve() -> None:
    plant, clock = larkfield(), ManualClock()
    living = SimulatedPlant(plant, clock.now_ms())
    async with serving(plant, living, clock), client() as asker:
        await clock.advance(1)
        assert set(living.reported()) == set(plant.points)
        assert await temperature(asker, plant) == pytest.approx(living.reported()[POINT], rel=1e-6)
