"""``[devices]``: what has an address."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any, Final

from plantview.config.addresses import AddressProblem, host_port, routed, station_mac
from plantview.config.problems import Problems
from plantview.config.schema import DeviceTable
from plantview.model.plant import Device, usual_per_s

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
    _same_paths(devices, problems)
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
        network, mac, router = _route(table)
        host, port = host_port(router, DEFAULT_PORTS[table.protocol])
    except AddressProblem as problem:
        problems.add((*path, problem.column), problem.wrong, problem.remedy)
        return None
    _check_keys(table, path, problems)
    return Device(
        name,
        table.protocol,
        host,
        port,
        number,
        table.period_s,
        table.timeout_s,
        table.label or name,
        table.framer or "tcp",
        network,
        mac,
        usual_per_s(network) if table.requests_per_s is None else table.requests_per_s,
        table.adapter or "",
    )


def _route(table: DeviceTable) -> tuple[int | None, str, str]:
    """Return network, station and router; from the address, or from the keys ``network`` and ``mac``."""
    network, mac, router = routed(table.address) if table.protocol == "bacnet" else (None, "", table.address)
    if (table.network is None) != (table.mac is None):
        missing = "mac" if table.mac is None else "network"
        raise AddressProblem(missing, "network and mac belong together", f"add {missing} = …")
    if table.network is None or table.mac is None:
        return network, mac, router
    if network is not None:
        raise AddressProblem("network", "the address says the network already", "remove network and mac")
    return table.network, station_mac(table.mac), router


def _check_keys(table: DeviceTable, path: tuple[str, str], problems: Problems) -> None:
    for key in ("network", "mac", "adapter") if table.protocol == "modbus" else ("framer",):
        if getattr(table, key) is not None:
            problems.add((*path, key), f"a {table.protocol} device has no {key}", f"remove {key}")


def _same_paths(devices: Mapping[str, Device], problems: Problems) -> None:
    """Say where two devices contradict each other about the path they share."""
    routers: dict[tuple[str, int], Device] = {}
    framers: dict[str, Device] = {}
    for device in devices.values():
        if device.network is not None:
            other = routers.setdefault((device.adapter, device.network), device)
            if other.address != device.address:
                wrong = f"network {device.network} has two routers: {other.address} and {device.address}"
                problems.add(("devices", device.id, "address"), wrong, "keep one")
        elif device.protocol == "modbus":
            other = framers.setdefault(device.address, device)
            if other.framer != device.framer:
                wrong = f'{other.id} at the same address has framer = "{other.framer}"'
                problems.add(("devices", device.id), wrong, "give all units of a gateway the same framer")


def _same(device: Device, other: Device) -> bool:
    if device.protocol != other.protocol:
        return False
    if device.protocol == "bacnet":  # an instance is unique within one network, and that is one adapter's
        return device.adapter == other.adapter and (device.unit == other.unit or device.station == other.station)
    return (device.address, device.unit) == (other.address, other.unit)


def _identity(device: Device) -> str:
    return f"{_NUMBER[device.protocol]} {device.unit} at {device.station}"
