"""All devices of a simulated plant, started together, each to be stopped, started and plagued alone."""

from __future__ import annotations

import contextlib
from collections.abc import AsyncIterator, Mapping
from typing import TypeVar

from plantview.clock import Clock, SystemClock
from plantview.model.plant import Device, Plant
from plantview.model.point import Point
from plantview.simulator.devices.bacnet_device import BacnetDevice
from plantview.simulator.devices.bacnet_router import Router
from plantview.simulator.devices.contract import Simulated, WriteRecord
from plantview.simulator.devices.device_clock import DeviceClock
from plantview.simulator.devices.modbus_device import ModbusDevice
from plantview.simulator.devices.modbus_gateway import ModbusGateway, Unit
from plantview.simulator.devices.register_map import RegisterMap

LOOPBACK_MASK = "8"

Kind = TypeVar("Kind", BacnetDevice, ModbusDevice)


class Rig:
    """The devices of one plant on their sockets."""

    def __init__(self, plant: Plant, simulated: Simulated, clock: Clock | None = None) -> None:
        self.writes = WriteRecord()
        """Every write request that reached a device."""
        self._simulated = simulated
        self._devices = _devices(plant, simulated, self.writes, clock or SystemClock())

    async def start(self, device: str) -> None:
        """Switch a device on; StartRefused if its address cannot be had."""
        await self._devices[device].start()
        self._devices[device].refresh(self._simulated.reported())

    async def stop(self, device: str) -> None:
        """Switch a device off: a controller closes its socket, a gateway answers 0x0B for the unit.

        With its last unit a gateway closes its socket too.
        """
        await self._devices[device].stop()

    def running(self, device: str) -> bool:
        """Return whether a device has power."""
        return self._devices[device].running

    def silence(self, device: str, on: bool) -> None:
        """Let a device hear and not answer, or answer again."""
        self._devices[device].silence(on)

    def slow(self, device: str, latency_s: float) -> None:
        """Let a device take so many real seconds for every answer."""
        self._devices[device].slow(latency_s)

    async def renumber(self, device: str, number: int | None) -> None:
        """Give a device another instance or unit id, None its own."""
        await self._devices[device].renumber(number)
        self._devices[device].refresh(self._simulated.reported())

    def controller(self, device: str) -> BacnetDevice:
        """Return a BACnet controller; KeyError for every other device."""
        return _of_kind(self._devices, device, BacnetDevice)

    def unit(self, device: str) -> ModbusDevice:
        """Return a unit behind a Modbus gateway; KeyError for every other device."""
        return _of_kind(self._devices, device, ModbusDevice)

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
async def rig(plant: Plant, simulated: Simulated, clock: Clock | None = None) -> AsyncIterator[Rig]:
    """Serve the devices of a plant for the length of a ``with`` block; without a clock, in real time."""
    devices = Rig(plant, simulated, clock)
    await devices.start_all()
    try:
        yield devices
    finally:
        await devices.stop_all()


def _devices(
    plant: Plant, simulated: Simulated, writes: WriteRecord, clock: Clock
) -> dict[str, BacnetDevice | ModbusDevice]:
    points: dict[str, list[Point]] = {device: [] for device in plant.devices}
    for point in plant.points.values():
        points[point.device].append(point)
    mask = plant.bacnet.address.partition("/")[2] or LOOPBACK_MASK
    served: dict[str, BacnetDevice | ModbusDevice] = {}
    gateways: dict[str, list[Device]] = {}
    routers: dict[tuple[str, int], Router] = {}
    for device in plant.devices.values():
        if device.protocol == "bacnet":
            router = (
                None
                if device.network is None
                else routers.setdefault((device.address, device.network), Router(device.network))
            )
            own_clock = DeviceClock(clock, plant.zone)
            served[device.id] = BacnetDevice(
                plant, device, points[device.id], mask, simulated, writes, own_clock, router
            )
        else:
            gateways.setdefault(device.address, []).append(device)
    for devices in gateways.values():
        units = {device.unit: Unit(device.id, RegisterMap(points[device.id], simulated)) for device in devices}
        gateway = ModbusGateway(devices[0].host, devices[0].port, units, writes)
        served |= {device.id: ModbusDevice(gateway, units[device.unit]) for device in devices}
    return served


def _of_kind(devices: Mapping[str, BacnetDevice | ModbusDevice], device: str, kind: type[Kind]) -> Kind:
    served = devices[device]
    if not isinstance(served, kind):
        raise KeyError(f"{device} is no {kind.__name__}")
    return served
