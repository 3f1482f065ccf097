"""The simulated controllers' own alarms without a network: scanned like theirs, asked and answered in octets."""

from __future__ import annotations

import asyncio
from collections.abc import Mapping
from dataclasses import replace
from typing import Any

from bacpypes3.apdu import GetEventInformationRequest

from plantview.clock import Clock
from plantview.drivers.bacnet_slow import decode_events
from plantview.model.device_event import DeviceEvent
from plantview.model.plant import Plant
from plantview.polling.beside import EVENTS_EVERY_S
from plantview.polling.device_clock import dated
from plantview.simulator.devices.bacnet_contents import Contents
from plantview.simulator.devices.bacnet_events import event_information
from plantview.simulator.devices.contract import Simulated
from plantview.simulator.devices.device_clock import DeviceClock
from plantview.simulator.devices.profiles import OCTETS, profile_of


def first_page() -> Any:
    """Return the question for what is in alarm, from one who takes the largest answers."""
    request = GetEventInformationRequest()
    request.apduMaxResp = len(OCTETS) - 1
    return request


class Controllers:
    """Every BACnet controller of a plant; ``events`` is what the last question of each brought."""

    def __init__(self, plant: Plant, simulated: Simulated, clock: Clock) -> None:
        self.events: dict[str, tuple[DeviceEvent, ...]] = {}
        self._zone, self._clock = plant.zone, clock
        self._asked_s = float("-inf")
        # the library's objects leave work for a loop, which a simulated day has none of: theirs ends with it
        with asyncio.Runner(loop_factory=asyncio.new_event_loop) as runner:
            self._contents = runner.run(self._made(plant, simulated))

    async def _made(self, plant: Plant, simulated: Simulated) -> dict[str, Contents]:
        return {
            device.id: Contents(
                plant,
                {name: point for name, point in plant.points.items() if point.device == device.id},
                simulated.command,
                DeviceClock(self._clock, plant.zone),
                replace(profile_of(device.label), logs=False),
                {},
            )
            for device in plant.devices.values()
            if device.protocol == "bacnet"
        }

    def scan(self, reported: Mapping[str, float], silent: Mapping[str, str]) -> None:
        """Let each look at the plant, and ask it as often as a plant is asked; one that is silent is not heard."""
        for contents in self._contents.values():
            contents.refresh(reported)
        now_s = self._clock.monotonic_s()
        if now_s - self._asked_s >= EVENTS_EVERY_S:
            self._asked_s = now_s
            self.events |= {name: self._asked(name) for name in self._contents if name not in silent}

    def _asked(self, device: str) -> tuple[DeviceEvent, ...]:
        answer = event_information(first_page(), self._contents[device].alarms)
        if not answer.listOfEventSummaries:
            return ()
        assert not answer.moreEvents
        told, _ = decode_events(bytes(answer.encode().pduData), device)
        return tuple(dated(one, self._zone, 0, self._clock.now_ms()) for one in told)
