"""A BACnet/IP controller of the simulated plant."""

from __future__ import annotations

import asyncio
import math
from collections.abc import Callable, Iterable, Mapping
from functools import partial
from typing import Any

from bacpypes3.app import Application
from bacpypes3.pdu import IPv4Address

from plantview.errors import StartRefused
from plantview.model.plant import Device
from plantview.model.point import Point
from plantview.simulator.devices.bacnet_access import Commanded, Shown
from plantview.simulator.devices.bacnet_objects import controller_object, point_object, present_value
from plantview.simulator.devices.bacnet_short_path import short_answer
from plantview.simulator.devices.bacnet_socket import DatagramSocket, attach
from plantview.simulator.devices.contract import Simulated, WriteRecord, WriteRequest
from plantview.simulator.devices.listening import start_refused

Request = Any
"""A decoded request or a part of it: the protocol stack has no type information."""


class BacnetDevice:
    """Objects of one controller on one UDP address."""

    def __init__(
        self, device: Device, points: Iterable[Point], mask: str, simulated: Simulated, writes: WriteRecord
    ) -> None:
        self._device = device
        self._points = tuple(points)
        self._mask = mask
        self._simulated = simulated
        self._writes = writes
        self._socket: DatagramSocket | None = None
        self._objects: dict[str, Shown] = {}
        self._silent = False

    async def start(self) -> None:
        """Open the socket and serve; StartRefused if the address cannot be had.

        Priority arrays start empty, as after a power failure.
        """
        if self._socket is not None:
            return
        address = self._address()
        command = self._simulated.command
        self._objects = {point.name: point_object(point, partial(command, point.name)) for point in self._points}
        application = _Application.from_object_list([controller_object(self._device), *self._objects.values()])
        application.record = self._record
        by_identifier = {_identifier(shown): shown for shown in self._objects.values()}
        try:
            self._socket = attach(application, address, partial(short_answer, objects=by_identifier))
        except OSError as error:
            raise start_refused(self._device.id, "UDP", self._device.host, self._device.port, error) from error
        self._socket.silent = self._silent
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
        if self._socket is None:
            return
        server, self._socket = self._socket, None
        server.close()
        for name, shown in self._objects.items():
            if isinstance(shown, Commanded) and shown.held() is not None:
                self._simulated.command(name, None)
        await asyncio.sleep(0)  # lets the transports close their sockets

    def silence(self, on: bool) -> None:
        """Let the controller hear nothing and say nothing."""
        self._silent = on
        if self._socket is not None:
            self._socket.silent = on

    def refresh(self, reported: Mapping[str, float]) -> None:
        """Show what the plant reports; objects of unchanged points are left alone."""
        if self._socket is None:
            return
        for point in self._points:
            self._objects[point.name].show(present_value(point, reported.get(point.name, math.nan)))

    def _record(self, source: str, what: str, value: str) -> None:
        self._writes.add(WriteRequest(self._device.id, source, what, value))


class _Application(Application):  # type: ignore[misc]
    """The stack's application, which also records every write request."""

    record: Callable[[str, str, str], None]

    async def do_WritePropertyRequest(self, apdu: Request) -> None:  # noqa: N802 - the stack looks for this name
        what = f"{apdu.objectIdentifier} {apdu.propertyIdentifier} priority {apdu.priority}"
        self.record(str(apdu.pduSource), what, _text(apdu.propertyValue))
        await super().do_WritePropertyRequest(apdu)

    async def do_WritePropertyMultipleRequest(self, apdu: Request) -> None:  # noqa: N802
        for specification in apdu.listOfWriteAccessSpecs:
            for written in specification.listOfProperties:
                what = f"{specification.objectIdentifier} {written.propertyIdentifier} priority {written.priority}"
                self.record(str(apdu.pduSource), what, _text(written.value))
        await super().do_WritePropertyMultipleRequest(apdu)


def _identifier(shown: Shown) -> int:
    kind, instance = shown.objectIdentifier
    return int(kind) << 22 | int(instance)


def _text(value: Request) -> str:
    return " ".join(bytes(tag.tag_data).hex() or "null" for tag in value.tagList)
