"""A BACnet controller of the simulated plant: power, network, and what may befall it."""

from __future__ import annotations

import asyncio
from collections.abc import Iterable, Mapping
from functools import partial

from bacpypes3.pdu import IPv4Address

from plantview.errors import StartRefused
from plantview.model.plant import Device, Plant
from plantview.model.point import Point
from plantview.simulator.devices.attention import Attention
from plantview.simulator.devices.bacnet_application import ControllerApplication
from plantview.simulator.devices.bacnet_contents import Contents, Memory
from plantview.simulator.devices.bacnet_router import Router
from plantview.simulator.devices.bacnet_screen import Screen
from plantview.simulator.devices.bacnet_short_path import short_answer
from plantview.simulator.devices.bacnet_socket import DatagramSocket, listen
from plantview.simulator.devices.contract import Simulated, WriteRecord, WriteRequest
from plantview.simulator.devices.device_clock import DeviceClock
from plantview.simulator.devices.listening import start_refused
from plantview.simulator.devices.profiles import READ_PROPERTY_MULTIPLE, profile_of


class BacnetDevice:
    """One controller, on a UDP address of its own or on a network behind a router."""

    def __init__(
        self,
        plant: Plant,
        device: Device,
        points: Iterable[Point],
        mask: str,
        simulated: Simulated,
        writes: WriteRecord,
        clock: DeviceClock,
        router: Router | None = None,
    ) -> None:
        self._plant = plant
        self._device = device
        self._points = {point.name: point for point in points}
        self._mask = mask
        self._simulated = simulated
        self._writes = writes
        self._clock = clock
        self._router = router
        self._memory: Memory = {}
        self._contents: Contents | None = None
        self._application: ControllerApplication | None = None
        self._socket: DatagramSocket | None = None
        self._instance = device.unit
        self._profile = profile_of(device.label)
        self._attention = Attention()

    @property
    def running(self) -> bool:
        """Whether it has power."""
        return self._application is not None

    async def start(self) -> None:
        """Open the socket and serve; StartRefused if the address cannot be had.

        Priority arrays start empty, as after a power failure.
        """
        if self._application is not None:
            return
        contents = Contents(
            self._plant, self._points, self._simulated.command, self._clock, self._profile, self._memory
        )
        application = contents.application(self._device, self._instance)
        application.record = self._record
        Screen(application, self._profile)
        try:
            await self._connect(application, contents)
        except OSError as error:
            raise start_refused(self._device.id, "UDP", self._device.host, self._device.port, error) from error
        self._application, self._contents = application, contents
        if not self._attention.silent:
            application.i_am()

    async def _connect(self, application: ControllerApplication, contents: Contents) -> None:
        address = self._address()
        if self._router is not None:
            await self._router.attach(application, address, int(self._device.mac, 16), self._attention)
            return
        known = {} if READ_PROPERTY_MULTIPLE in self._profile.lacks else contents.by_identifier()
        shortcut = partial(short_answer, objects=known, octets_max=self._profile.octets)
        self._socket = listen(application.nsap, address, self._attention, shortcut)
        await self._socket.opened()

    def _address(self) -> IPv4Address:
        try:
            return IPv4Address(f"{self._device.host}/{self._mask}:{self._device.port}")
        except ValueError as error:
            raise StartRefused(
                f"{self._device.id} cannot listen on {self._device.address}: BACnet/IP takes no host names"
                " -> write its IPv4 address in plant.toml, such as 127.0.0.1:47808"
            ) from error

    async def stop(self) -> None:
        """Close the socket; what outsiders held goes back to the plant's controller."""
        if self._application is None or self._contents is None:
            return
        application, self._application = self._application, None
        application.end_subscriptions()
        self._attention.leave()
        if self._router is not None:
            await self._router.detach(application)
        if self._socket is not None:
            self._socket.close()
            self._socket = None
        self._contents.give_back()
        self._contents = None
        await asyncio.sleep(0)  # lets the transports close their sockets

    def refresh(self, reported: Mapping[str, float]) -> None:
        """Show what the plant reports, watch it and log it."""
        if self._contents is not None:
            self._contents.refresh(reported)

    # --- what may befall it -----------------------------------------------------------------
    def silence(self, on: bool) -> None:
        """Let the controller hear nothing and say nothing."""
        self._attention.silent = on

    def slow(self, latency_s: float) -> None:
        """Let it take so many real seconds for every answer."""
        self._attention.latency_s = latency_s

    def set_clock(self, wrong_by_s: float) -> None:
        """Set its clock wrong; 0 sets it right."""
        by_s, self._clock.wrong_by_s = wrong_by_s - self._clock.wrong_by_s, wrong_by_s
        if self._contents is not None:
            self._contents.clock_set(by_s)

    async def renumber(self, instance: int | None) -> None:
        """Give it another device instance, None its own, and restart it."""
        self._instance = self._device.unit if instance is None else instance
        await self._restart()

    async def shrink(self, octets: float | None) -> None:
        """Let it be a controller with so short an APDU, None as it was, and restart it."""
        self._profile = profile_of(self._device.label, octets)
        await self._restart()

    async def _restart(self) -> None:
        if self.running:
            await self.stop()
            await self.start()

    def _record(self, source: str, what: str, value: str) -> None:
        self._writes.add(WriteRequest(self._device.id, source, what, value))
