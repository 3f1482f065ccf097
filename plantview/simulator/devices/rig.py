"""All devices of a simulated plant, started together, each to be stopped, started and silenced alone."""

from __future__ import annotations

import contextlib
from collections.abc import AsyncIterator, Mapping
from typing import Protocol

from plantview.model.plant import Device, Plant
from plantview.model.point import Point
from plantview.simulator.devices.bacnet_device import BacnetDevice
from plantview.simulator.devices.contract import Simulated, WriteRecord
from plantview.simulator.devices.modbus_gateway import ModbusGateway, Unit
from plantview.simulator.devices.register_map import RegisterMap

LOOPBACK_MASK = "8"


class _Served(Protocol):
    async def start(self) -> None: ...

    async def stop(self) -> None: ...

    def silence(self, on: bool) -> None: ...

    def refresh(self, reported: Mapping[str, float]) -> None: ...


class _ModbusDevice:
    """One unit behind a gateway, seen as a device of its own."""

    def __init__(self, gateway: ModbusGateway, unit_id: int) -> None:
        self._gateway = gateway
        self._unit_id = unit_id
        self._unit = gateway.units[unit_id]
        self.refresh = self._unit.registers.refresh

    async def start(self) -> None:
        await self._gateway.start(self._unit_id)

    async def stop(self) -> None:
        await self._gateway.stop(self._unit_id)

    def silence(self, on: bool) -> None:
        self._unit.silent = on


class Rig:
    """The devices of one plant on their sockets."""

    def __init__(self, plant: Plant, simulated: Simulated) -> None:
        self.writes = WriteRecord()
        """Every write request that reached a device."""
        self._simulated = simulated
        self._devices = dict(_devices(plant, simulated, self.writes))

    async def start(self, device: str) -> None:
        """Switch a device on; StartRefused if its address cannot be had."""
        await self._devices[device].start()
        self._devices[device].refresh(self._simulated.reported())

    async def stop(self, device: str) -> None:
        """Switch a device off: a controller closes its socket, a gateway answers 0x0B for the unit.

        With its last unit a gateway closes its socket too.
        """
        await self._devices[device].stop()

    def silence(self, device: str, on: bool) -> None:
        """Let a device hear and not answer, or answer again."""
        self._devices[device].silence(on)

    def refresh(self) -> None:
        """Show the present state of the plant on all devices."""
        reported = self._simulated.reported()
        for served in self._devices.values():
            served.refresh(reported)

    async def start_all(self) -> None:
        """Switch everything on, or nothing: StartRefused leaves no socket open."""
        try:
            for device in self._devices:
                await self.start(device)
        except BaseException:
            await self.stop_all()
            raise

    async def stop_all(self) -> None:
        """Switch everything off."""
        for served in self._devices.values():
            await served.stop()


@contextlib.asynccontextmanager
async def rig(plant: Plant, simulated: Simulated) -> AsyncIterator[Rig]:
    """Serve the devices of a plant for the length of a ``with`` block."""
    devices = Rig(plant, simulated)
    await devices.start_all()
    try:
        yield devices
    finally:
        await devices.stop_all()


def _devices(plant: Plant, simulated: Simulated, writes: WriteRecord) -> Mapping[str, _Served]:
    points: dict[str, list[Point]] = {device: [] for device in plant.devices}
    for point in plant.points.values():
        points[point.device].append(point)
    mask = plant.bacnet.address.partition("/")[2] or LOOPBACK_MASK
    served: dict[str, _Served] = {}
    gateways: dict[str, list[Device]] = {}
    for device in plant.devices.values():
        if device.protocol == "bacnet":
            served[device.id] = BacnetDevice(device, points[device.id], mask, simulated, writes)
        else:
            gateways.setdefault(device.address, []).append(device)
    for devices in gateways.values():
        units = {device.unit: Unit(device.id, RegisterMap(points[device.id], simulated)) for device in devices}
        gateway = ModbusGateway(devices[0].host, devices[0].port, units, writes)
        served |= {device.id: _ModbusDevice(gateway, device.unit) for device in devices}
    return served
