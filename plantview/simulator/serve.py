"""Runs a simulated plant: steps it in plant time and serves its devices until cancelled."""

from __future__ import annotations

import asyncio
import logging
from collections.abc import Collection, Iterable
from typing import Final

from plantview.clock import Clock
from plantview.errors import StartRefused
from plantview.model.plant import Plant
from plantview.simulator.devices import Rig, Simulated, rig
from plantview.simulator.devices.device_faults import DeviceFaults, check_device_fault, is_device_fault
from plantview.simulator.faults import Fault, UnknownFault, place_fault

log = logging.getLogger(__name__)

STEP_S: Final = 1.0
"""Plant seconds of one step."""
REFRESH_REAL_S: Final = 0.05
"""The devices take over new values no more often than this, however fast the plant runs."""
BEHIND_REAL_S_MAX: Final = 2.0
"""Beyond this backlog the plant loses time instead of running hot behind the clock for ever."""


async def serve(
    simulated: Simulated,
    plant: Plant,
    clock: Clock,
    *,
    faults: Iterable[Fault] = (),
    live: Collection[Fault] = (),
    ready: asyncio.Event | None = None,
) -> None:
    """Serve every device of ``plant`` from ``simulated`` until cancelled.

    ``live`` are further faults of devices, checked by whoever adds and removes them while the plant is served.
    ``ready`` is set once all devices answer with the state of the plant. StartRefused names the
    device whose address cannot be had, or the fault that the plant has no place for; then nothing stays open.
    """
    faults = tuple(faults)
    of_devices = [fault for fault in faults if is_device_fault(fault)]
    for fault in faults:
        try:
            place_fault(fault, plant)
            if is_device_fault(fault):
                check_device_fault(fault, plant)
        except UnknownFault as error:
            raise StartRefused(str(error)) from error
        if fault not in of_devices:
            simulated.inject(fault)
    async with rig(plant, simulated, clock) as devices:
        if ready is not None:
            ready.set()
        await _Stepping(simulated, devices, clock, DeviceFaults(devices, of_devices, live)).run()


class _Stepping:
    """The pulse of the plant."""

    def __init__(self, simulated: Simulated, devices: Rig, clock: Clock, faults: DeviceFaults) -> None:
        self._simulated = simulated
        self._devices = devices
        self._clock = clock
        self._faults = faults
        self._stepped_to_s = clock.monotonic_s()
        self._said_late = False

    async def run(self) -> None:
        while True:
            await self._faults.apply(self._clock.now_ms())
            await self._clock.sleep(max(STEP_S, self._clock.speed * REFRESH_REAL_S))
            self._lose_backlog()
            while self._stepped_to_s + STEP_S <= self._clock.monotonic_s():
                self._simulated.step(STEP_S)
                self._stepped_to_s += STEP_S
                await asyncio.sleep(0)  # between steps the sockets have their turn
            self._devices.refresh()

    def _lose_backlog(self) -> None:
        behind_s = self._clock.monotonic_s() - self._stepped_to_s
        kept_s = max(BEHIND_REAL_S_MAX * self._clock.speed, STEP_S)
        if behind_s <= kept_s:
            return
        self._stepped_to_s += behind_s - kept_s
        if not self._said_late:
            self._said_late = True
            log.warning(
                "the simulated plant is %.0f plant seconds behind and skips time: this computer is too slow for speed %g",
                behind_s,
                self._clock.speed,
            )
