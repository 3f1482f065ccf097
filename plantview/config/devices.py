"""``[devices]`` and ``[bacnet]``: what has an address, and where BACnet/IP leaves this computer."""

from __future__ import annotations

import ipaddress
from collections.abc import Mapping
from typing import Any, Final

from plantview.config.addresses import AddressProblem, host_port
from plantview.config.problems import Problems
from plantview.config.schema import BacnetTable, DeviceTable
from plantview.model.plant import Adapter, Device

DEFAULT_PORTS: Final = {"bacnet": 47_808, "modbus": 502}
_NUMBER: Final = {"bacnet": "instance", "modbus": "unit_id"}


def read_devices(raw: Mapping[str, Any], problems: Problems) -> dict[str, Device]:
    """Return the devices that could be read; what is wrong is noted."""
    devices: dict[str, Device] = {}
    for name, row in raw.get("devices", {}).items():
        path = ("devices", name)
        table = problems.parse(DeviceTable, row, path)
        if table is None:
            continue
        device = _one(name, table, problems)
        if device is None:
            continue
        clash = next((other for other in devices.values() if _same(device, other)), None)
        if clash:
            problems.add(
                path, f"{name} and {clash.id} are the same device ({_identity(device)})", "correct one of them"
            )
        devices[name] = device
    return devices


def _one(name: str, table: DeviceTable, problems: Problems) -> Device | None:
    path = ("devices", name)
    key = _NUMBER[table.protocol]
    number = getattr(table, key)
    for other in _NUMBER.values():
        if other != key and getattr(table, other) is not None:
            problems.add((*path, other), f"a {table.protocol} device has no {other}", f"use {key}")
    if number is None:
        problems.add(path, f"a {table.protocol} device needs {key}", f"add {key} = …")
        return None
    try:
        host, port = host_port(table.address, DEFAULT_PORTS[table.protocol])
    except AddressProblem as problem:
        problems.add((*path, "address"), problem.wrong, problem.remedy)
        return None
    return Device(name, table.protocol, host, port, number, table.period_s, table.timeout_s, table.label or name)


def _same(device: Device, other: Device) -> bool:
    if device.protocol != other.protocol:
        return False
    if device.protocol == "bacnet":
        return device.unit == other.unit or device.address == other.address
    return (device.address, device.unit) == (other.address, other.unit)


def _identity(device: Device) -> str:
    return f"{_NUMBER[device.protocol]} {device.unit} at {device.address}"


def read_bacnet(raw: Mapping[str, Any], devices: Mapping[str, Device], problems: Problems) -> Adapter:
    """Return the adapter for BACnet/IP; it must be given when any device speaks BACnet."""
    needed = any(device.protocol == "bacnet" for device in devices.values())
    if "bacnet" not in raw:
        if needed:
            problems.add((), "BACnet devices, but no [bacnet] table", 'add [bacnet] with address = "192.168.10.5/24"')
        return Adapter("", 0)
    table = problems.parse(BacnetTable, raw["bacnet"], ("bacnet",))
    if table is None:
        return Adapter("", 0)
    _check_adapter(table, devices, problems)
    return Adapter(table.address, table.port)


def _check_adapter(table: BacnetTable, devices: Mapping[str, Device], problems: Problems) -> None:
    path = ("bacnet", "address")
    if "/" not in table.address:
        problems.add(
            path, f"'{table.address}' has no mask", 'write the adapter\'s address with its mask, as "192.168.10.5/24"'
        )
        return
    try:
        adapter = ipaddress.IPv4Interface(table.address)
    except ValueError:
        problems.add(path, f"'{table.address}' is no IPv4 address with mask", 'write "192.168.10.5/24"')
        return
    if adapter.ip.is_loopback:
        for device in devices.values():
            if device.protocol == "bacnet" and device.port == table.port:
                # the BACnet stack hands a packet to its own port on any 127.* address to itself
                problems.add(
                    ("devices", device.id, "address"),
                    f"port {device.port} is the adapter's own",
                    "on loopback each device needs another port than [bacnet]",
                )
