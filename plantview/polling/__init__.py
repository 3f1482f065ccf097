"""Asks every device for its points, at its pace, for ever; every outcome becomes readings."""

from __future__ import annotations

import asyncio
from collections import defaultdict
from collections.abc import Iterator, Mapping, Sequence
from contextlib import AsyncExitStack
from pathlib import Path
from typing import Any

from plantview.clock import Clock
from plantview.drivers.bacnet_network import BacnetNetwork
from plantview.drivers.modbus_reader import ModbusReader
from plantview.errors import StartRefused
from plantview.model.plant import Adapter, Device, Plant
from plantview.model.point import Point
from plantview.polling.bacnet_path import BacnetPath
from plantview.polling.budget import shared, together
from plantview.polling.fast import Quickened, quicken
from plantview.polling.line import Line
from plantview.polling.memory import Memory
from plantview.polling.modbus_station import ModbusStation
from plantview.polling.networks import line_row
from plantview.polling.outlets import Backfilled, BackfillSink, EventSink, Outlets
from plantview.polling.station import Sink, Station


class Polling:
    """One task per path: a BACnet device, a network behind a router, a Modbus gateway; ``sink`` gets a Batch per exchange.

    Parameters
        memory    file for what devices taught us about their limits; None forgets it with the process
        backfill  takes what trend logs hold for an outage; without it none is read
        events    takes what devices consider to be in alarm; without it they are not asked
    """

    def __init__(
        self,
        plant: Plant,
        clock: Clock,
        sink: Sink,
        memory: Path | None = None,
        backfill: BackfillSink | None = None,
        events: EventSink | None = None,
    ) -> None:
        self._plant, self._clock, self._sink = plant, clock, sink
        self._outlets = Outlets(plant.zone, Memory(memory, clock), backfill, events)
        self._points: dict[str, list[Point]] = defaultdict(list)
        for point in plant.points.values():
            self._points[point.device].append(point)
        self._stations: dict[str, Station] = {}
        self._lines: tuple[Line, ...] = ()
        self._bacnet: list[BacnetPath] = []
        self._heard_until: Mapping[str, int] = {}

    def heard_until(self, last_ms: Mapping[str, int]) -> None:
        """Say before ``run`` when each device was last heard by an earlier process: its trend logs hold what followed."""
        self._heard_until = last_ms

    async def run(self) -> None:
        """Poll until cancelled; StartRefused if the BACnet port cannot be had, before anything is asked."""
        async with AsyncExitStack() as stack:
            paths = [*await self._bacnet_paths(stack), *self._modbus_paths(stack)]
            self._stations = {station.device.id: station for path in paths for station in path}
            for name, station in self._stations.items():
                station.unheard_from_ms = self._heard_until.get(name)
            self._lines = tuple(self._placed(paths))
            async with asyncio.TaskGroup() as group:
                for adapter in self._bacnet:
                    group.create_task(adapter.roll_call.run())
                for line in self._lines:
                    group.create_task(line.run())

    def health(self) -> list[dict[str, Any]]:
        """Return one JSON-able record per polled device."""
        return [station.health.as_dict(station.plan()) for station in self._stations.values()]

    def quicken(self, names: Sequence[str]) -> Quickened:
        """Poll these points as fast as budgets allow, in place of those before; none ends it."""
        return quicken(self._lines, names, self._clock.speed)

    def networks(self) -> list[dict[str, Any]]:
        """Return one JSON-able record per adapter and per path that several devices share, with load and budget."""
        rows = [adapter.as_dict() for adapter in self._bacnet]
        return rows + [row for line in self._lines if (row := line_row(line)) is not None]

    def _devices(self, protocol: str) -> list[Device]:
        """Return the devices of one protocol that have points; the others are nobody's business yet."""
        return [one for one in self._plant.devices.values() if one.protocol == protocol and self._points[one.id]]

    async def _bacnet_paths(self, stack: AsyncExitStack) -> list[list[Station]]:
        behind: dict[Adapter, list[Device]] = defaultdict(list)
        for device in self._devices("bacnet"):
            behind[self._plant.adapter_of(device)].append(device)
        self._bacnet = [await self._adapter(stack, adapter, devices) for adapter, devices in behind.items()]
        return [path for adapter in self._bacnet for path in adapter.paths()]

    async def _adapter(self, stack: AsyncExitStack, adapter: Adapter, devices: list[Device]) -> BacnetPath:
        if not adapter.address:
            raise StartRefused('no BACnet adapter -> write [bacnet] address = "192.168.1.5/24" in plant.toml')
        network = await stack.enter_async_context(BacnetNetwork(adapter))
        for one in devices:
            if one.host.startswith("127.") and one.port == network.port:
                # bacpypes3 hands anything for its own port on any loopback address to itself
                raise StartRefused(
                    f"{one.id} and its BACnet adapter share port {one.port} on this computer -> change one of them"
                )
        points = {one.id: self._points[one.id] for one in devices}
        return BacnetPath(adapter, network, devices, points, self._clock, self._sink, self._outlets)

    def _modbus_paths(self, stack: AsyncExitStack) -> list[list[Station]]:
        gateways: dict[tuple[str, int, str], list[Device]] = defaultdict(list)
        for device in self._devices("modbus"):
            gateways[device.host, device.port, device.framer].append(device)
        return [self._units(stack, ModbusReader(*address), devices) for address, devices in gateways.items()]

    def _units(self, stack: AsyncExitStack, reader: ModbusReader, devices: list[Device]) -> list[Station]:
        stack.callback(reader.close)
        gateway, speed = shared(devices, self._clock.speed), self._clock.speed
        return [
            ModbusStation(
                one, self._points[one.id], reader, self._clock, self._sink, self._outlets,
                together(shared([one], speed), gateway),
            )
            for one in devices
        ]  # fmt: skip

    def _placed(self, paths: list[list[Station]]) -> Iterator[Line]:
        place, of = 0, sum(map(len, paths))
        for path in paths:
            yield Line(path, self._clock, range(place, place + len(path)), of)
            place += len(path)


__all__ = ["Backfilled", "Polling", "Quickened"]
