"""The equipment side: one way to look at a point and one way to write it, whichever protocol it speaks."""

from __future__ import annotations

import ipaddress
from collections.abc import AsyncIterator, Mapping
from contextlib import asynccontextmanager
from typing import Protocol

from plantview.commands.verdict import same
from plantview.drivers.bacnet_look import by_adapter
from plantview.drivers.bacnet_write import BacnetWriter
from plantview.drivers.look import Look
from plantview.drivers.modbus_reader import ModbusReader
from plantview.drivers.modbus_write import ModbusWriter, decoded, encode, function_of, raw_of
from plantview.errors import CommandRefused
from plantview.model.plant import Adapter, Device, Plant
from plantview.model.point import BacnetAddress, ModbusAddress, Point
from plantview.polling.held import Looking

__all__ = ["Targets", "Wire", "check_target", "raw_text", "same", "targets"]


class Targets(Looking, Protocol):
    """What commands need of the equipment."""

    async def put(self, point: Point, value: float | None, priority: int | None, function: int = 0) -> None:
        """Send exactly one write, or a release if ``value`` is None; DriverError says how it ended."""
        ...


def check_target(point: Point, device: Device, value: float | None = None, priority: int | None = None) -> None:
    """Refuse what is never written, whatever the allow-list says."""
    if not point.commandable or point.equipment in {"", "PLANT"}:
        raise CommandRefused("never", f"{point.name} is measured; it is never written")
    try:
        address = ipaddress.ip_address(device.host)
    except ValueError:
        address = None
    if address is not None and (address.is_multicast or str(address) == "255.255.255.255"):
        raise CommandRefused("broadcast", f"{device.id} stands at a broadcast address; nothing is written to everybody")
    if isinstance(point.address, ModbusAddress):
        if device.unit == 0:
            raise CommandRefused("broadcast", f"{device.id} is unit 0, which is everybody")
        _encodable(point, point.address, value)
        return
    if priority is not None and (type(priority) is not int or not PRIORITY_LEAST <= priority <= PRIORITY_MOST):
        raise CommandRefused("priority", f"priority {priority!r} is never written: 8 to 16 are for operators")


PRIORITY_LEAST, PRIORITY_MOST = 8, 16


def _encodable(point: Point, address: ModbusAddress, value: float | None) -> None:
    try:
        function_of(address)
        if value is not None:
            encode(point, value)
    except ValueError as error:
        raise CommandRefused("type", str(error)) from None


def raw_text(point: Point, value: float) -> str:
    """Return what goes into the registers, as a person reads them off a map; empty for BACnet."""
    if not isinstance(point.address, ModbusAddress):
        return ""
    return f"raw {raw_of(point, encode(point, value))}" if point.address.table == "holding" else ""


class Wire:
    """The real equipment: a BACnet socket of its own, Modbus connections as needed."""

    def __init__(self, plant: Plant, networks: Mapping[Adapter, BacnetWriter]) -> None:
        self._plant, self._networks = plant, networks
        self._writer = ModbusWriter()

    async def look(self, point: Point) -> Look:
        device = self._plant.devices[point.device]
        if isinstance(point.address, BacnetAddress):
            return await self._network(point).look(device, point.address)
        address, reader = point.address, ModbusReader(device.host, device.port, device.framer)
        try:
            words = await reader.read(
                device.id, device.unit, address.table, address.first, address.count, within_s=device.timeout_s
            )
        finally:
            reader.close()
        return Look(decoded(point, tuple(words)), tuple(words))

    async def slots(self, point: Point) -> tuple[float | None, ...] | None:
        if not isinstance(point.address, BacnetAddress):
            return None
        return await self._network(point).slots(self._plant.devices[point.device], point.address)

    async def put(self, point: Point, value: float | None, priority: int | None, function: int = 0) -> None:
        device = self._plant.devices[point.device]
        if isinstance(point.address, BacnetAddress):
            await self._network(point).put(device, point.address, value, priority)
        elif value is None:
            raise ValueError(f"{point.name} has no slot that could be released")
        else:
            words = encode(point, value)
            await self._writer.put(device, point.address, words, function_of(point.address, function))

    def _network(self, point: Point) -> BacnetWriter:
        return self._networks[self._plant.adapter_of(self._plant.devices[point.device])]


@asynccontextmanager
async def targets(plant: Plant) -> AsyncIterator[Wire]:
    """Open what can write for the length of a ``with`` block; its BACnet ports are ones that the computer chooses."""
    # sockets of their own: the polling's have no way to write, and keep it so
    async with by_adapter(plant, BacnetWriter) as networks:
        yield Wire(plant, networks)
