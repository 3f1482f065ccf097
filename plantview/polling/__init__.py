"""Asks every device for its points, at its pace, for ever; every outcome becomes readings."""

from __future__ import annotations

import asyncio
from collections import defaultdict
from collections.abc import Iterable, Iterator
from contextlib import AsyncExitStack
from typing import Any

from plantview.clock import Clock
from plantview.drivers.bacnet_network import BacnetNetwork
from plantview.drivers.modbus_reader import ModbusReader
from plantview.errors import StartRefused
from plantview.model.plant import Device, Plant
from plantview.model.point import Point
from plantview.polling.bacnet_station import BacnetStation
from plantview.polling.line import Line
from plantview.polling.modbus_station import ModbusStation
from plantview.polling.station import Sink, Station


class Polling:
    """One task per BACnet device and per Modbus gateway; ``sink`` gets a Batch per exchange."""

    def __init__(self, plant: Plant, clock: Clock, sink: Sink) -> None:
        self._plant, self._clock, self._sink = plant, clock, sink
        self._points: dict[str, list[Point]] = defaultdict(list)
        for point in plant.points.values():
            self._points[point.device].append(point)
        self._stations: dict[str, Station] = {}

    async def run(self) -> None:
        """Poll until cancelled; StartRefused if the BACnet port cannot be had, before anything is asked."""
        async with AsyncExitStack() as stack:
            paths = [*await self._bacnet_paths(stack), *self._modbus_paths(stack)]
            self._stations = {station.device.id: station for path in paths for station in path}
            async with asyncio.TaskGroup() as group:
                for line in self._lines(paths):
                    group.create_task(line.run())

    def health(self) -> list[dict[str, Any]]:
        """Return one JSON-able record per polled device."""
        return [station.health.as_dict(station.plan()) for station in self._stations.values()]

    def _devices(self, protocol: str) -> Iterator[Device]:
        """Yield the devices of one protocol that have points; the others are nobody's business yet."""
        return (one for one in self._plant.devices.values() if one.protocol == protocol and self._points[one.id])

    async def _bacnet_paths(self, stack: AsyncExitStack) -> list[list[Station]]:
        devices = list(self._devices("bacnet"))
        if not devices:
            return []
        if not self._plant.bacnet.address:
            raise StartRefused('no BACnet adapter -> write [bacnet] address = "192.168.1.5/24" in plant.toml')
        network = await stack.enter_async_context(BacnetNetwork(self._plant.bacnet))
        for one in devices:
            if one.host.startswith("127.") and one.port == network.port:
                # bacpypes3 hands anything for its own port on any loopback address to itself
                raise StartRefused(f"{one.id} and [bacnet] share port {one.port} on this computer -> change one of them")
        return [[BacnetStation(one, self._points[one.id], network, self._clock, self._sink)] for one in devices]

    def _modbus_paths(self, stack: AsyncExitStack) -> list[list[Station]]:
        gateways: dict[tuple[str, int], list[Device]] = defaultdict(list)
        for device in self._devices("modbus"):
            gateways[device.host, device.port].append(device)
        return [self._units(stack, ModbusReader(*address), devices) for address, devices in gateways.items()]

    def _units(self, stack: AsyncExitStack, reader: ModbusReader, devices: Iterable[Device]) -> list[Station]:
        stack.callback(reader.close)
        return [ModbusStation(one, self._points[one.id], reader, self._clock, self._sink) for one in devices]

    def _lines(self, paths: list[list[Station]]) -> Iterator[Line]:
        place, of = 0, sum(map(len, paths))
        for path in paths:
            yield Line(path, self._clock, range(place, place + len(path)), of)
            place += len(path)


__all__ = ["Polling"]
