"""What the tests of the simulated devices share: a plant that stands still, and free addresses."""

from __future__ import annotations

import math
import socket
from collections.abc import Mapping, Sequence
from dataclasses import replace
from pathlib import Path

from plantview.config import load_plant
from plantview.config.ports import free_port
from plantview.model.plant import Adapter, Device, Plant
from plantview.model.point import BacnetAddress, ModbusAddress, Point
from plantview.simulator.faults import Fault
from plantview.units import unit

LARKFIELD = Path(__file__).parents[2] / "config" / "larkfield"
ANY = (-math.inf, math.inf)


class StillPlant:
    """A plant that reports what the test says and remembers what it was told."""

    def __init__(self, plant: Plant) -> None:
        self.values = {point.name: first_value(point, at) for at, point in enumerate(plant.points.values())}
        self.commands: list[tuple[str, float | None]] = []
        self.steps: list[float] = []
        self.injected: list[Fault] = []

    def reported(self) -> Mapping[str, float]:
        return dict(self.values)

    def step(self, dt_s: float) -> None:
        self.steps.append(dt_s)

    def command(self, point: str, value: float | None) -> None:
        self.commands.append((point, value))

    def inject(self, fault: Fault) -> None:
        self.injected.append(fault)


def first_value(point: Point, at: int) -> float:
    """Return a value that differs from point to point and fits its type and limits; nothing is in hand."""
    if "AUTO" in point.states.values():
        return float(next(number for number, word in point.states.items() if word == "AUTO"))
    if point.states:
        return float(list(point.states)[at % len(point.states)])
    return 40.0 + at / 8  # eighths are exact in binary


def larkfield() -> Plant:
    """Return the larger example plant on free ports."""
    return on_free_ports(load_plant(LARKFIELD))


def on_free_ports(plant: Plant) -> Plant:
    """Return the plant with every device on a free port of this computer; devices that shared one still do."""
    free: dict[str, int] = {}
    for device in plant.devices.values():
        kind = socket.SOCK_DGRAM if device.protocol == "bacnet" else socket.SOCK_STREAM
        free.setdefault(device.address, free_port(kind))
    devices = {name: replace(device, port=free[device.address]) for name, device in plant.devices.items()}
    return replace(plant, devices=devices, bacnet=replace(plant.bacnet, port=free_port(socket.SOCK_DGRAM)))


def modbus_point(
    name: str, address: ModbusAddress, *, commandable: bool = False, limits: tuple[float, float] = ANY
) -> Point:
    """Return a point of device PANEL with a bare number."""
    return Point(
        name,
        "X",
        name,
        "count",
        unit("count", "count"),
        "PANEL",
        address,
        5.0,
        {},
        *limits,
        name,
        "",
        commandable,
    )


def register(
    first: int,
    kind: str = "uint16",
    table: str = "holding",
    *,
    order: str = "ABCD",
    scale: float = 1.0,
    offset: float = 0.0,
    na: Sequence[int] = (),
) -> ModbusAddress:
    """Return a Modbus address, by default one unsigned holding register."""
    return ModbusAddress(table, first, kind, order, scale, offset, tuple(na))


def bacnet_point(name: str, kind: str, instance: int, states: Mapping[int, str], *, commandable: bool = False) -> Point:
    """Return a point of device CONTROLLER."""
    quantity = "state" if states else "count"
    return Point(
        name,
        "X",
        name,
        quantity,
        unit(quantity, quantity),
        "CONTROLLER",
        BacnetAddress(kind, instance),
        5.0,
        states,
        *ANY,
        name,
        "",
        commandable,
    )


def bench_plant(*points: Point) -> Plant:
    """Return a plant of bare points: PANEL is Modbus unit 7, CONTROLLER is BACnet device 4001."""
    devices = {
        "PANEL": Device("PANEL", "modbus", "127.0.0.1", free_port(socket.SOCK_STREAM), 7, 5.0, 1.0, "a panel"),
        "CONTROLLER": Device(
            "CONTROLLER", "bacnet", "127.0.0.1", free_port(socket.SOCK_DGRAM), 4001, 5.0, 1.0, "a controller"
        ),
    }
    return Plant(
        "bench",
        "Bench",
        "UTC",
        0.0,
        "si",
        True,
        {},
        {},
        devices,
        {point.name: point for point in points},
        {},
        Adapter("127.0.0.1/8", 0),
        (),
        {},
        "",
    )
