"""``[bacnet]`` and ``[bacnet.adapters.NAME]``: where BACnet/IP leaves this computer, once per network."""

from __future__ import annotations

import ipaddress
from collections.abc import Mapping
from typing import Any

from plantview.config.addresses import AddressProblem, host_port
from plantview.config.devices import DEFAULT_PORTS
from plantview.config.positions import Path
from plantview.config.problems import Problems, near
from plantview.config.schema import AdapterTable, BacnetTable
from plantview.model.plant import Adapter, Device

_NOWHERE = Adapter("", 0)


def read_bacnet(raw: Mapping[str, Any], devices: Mapping[str, Device], problems: Problems) -> Adapter:
    """Return the adapter of devices that name none; it must be given when any device speaks BACnet."""
    needed = any(device.protocol == "bacnet" for device in devices.values())
    if "bacnet" not in raw:
        if needed:
            problems.add((), "BACnet devices, but no [bacnet] table", 'add [bacnet] with address = "192.168.10.5/24"')
        return _NOWHERE
    table = problems.parse(BacnetTable, raw["bacnet"], ("bacnet",))
    return _NOWHERE if table is None else _one("", table, devices, problems, ("bacnet",))


def read_adapters(raw: Mapping[str, Any], devices: Mapping[str, Device], problems: Problems) -> dict[str, Adapter]:
    """Return the further adapters by name; a device that names one that is not there is noted."""
    written = raw.get("bacnet", {})
    rows = written.get("adapters", {}) if isinstance(written, Mapping) else {}
    found: dict[str, Adapter] = {}
    taken = {_socket(written): "[bacnet]"} if isinstance(written, Mapping) else {}
    for name, row in rows.items() if isinstance(rows, Mapping) else ():
        path = ("bacnet", "adapters", name)
        table = problems.parse(AdapterTable, row, path)
        if table is None:
            continue
        other = taken.setdefault((table.address.partition("/")[0], table.port), name)
        if other != name:
            problems.add(path, f"the same address and port as {other}", "give it another port, or use one of them")
        found[name] = _one(name, table, devices, problems, path)
    for device in devices.values():
        if device.adapter and device.adapter not in rows:
            problems.add(
                ("devices", device.id, "adapter"), f"no [bacnet.adapters.{device.adapter}]", near(device.adapter, rows)
            )
    return found


def _socket(row: Mapping[str, Any]) -> tuple[str, int]:
    return str(row.get("address", "")).partition("/")[0], row.get("port", DEFAULT_PORTS["bacnet"])


def _one(name: str, table: AdapterTable, devices: Mapping[str, Device], problems: Problems, path: Path) -> Adapter:
    own = [device for device in devices.values() if device.protocol == "bacnet" and device.adapter == name]
    _check(table, own, problems, path)
    return Adapter(table.address, table.port, _bbmd(table, problems, path), table.ttl_s, table.requests_per_s, name)


def _bbmd(table: AdapterTable, problems: Problems, path: Path) -> str:
    if not table.bbmd:
        return ""
    try:
        host, port = host_port(table.bbmd, DEFAULT_PORTS["bacnet"])
        return f"{ipaddress.IPv4Address(host)}:{port}"
    except (AddressProblem, ValueError):
        problems.add((*path, "bbmd"), f"'{table.bbmd}' is no IPv4 address", 'write "192.168.20.1:47808"')
        return ""


def _check(table: AdapterTable, own: list[Device], problems: Problems, path: Path) -> None:
    at = (*path, "address")
    if "/" not in table.address:
        problems.add(
            at, f"'{table.address}' has no mask", 'write the adapter\'s address with its mask, as "192.168.10.5/24"'
        )
        return
    try:
        adapter = ipaddress.IPv4Interface(table.address)
    except ValueError:
        problems.add(at, f"'{table.address}' is no IPv4 address with mask", 'write "192.168.10.5/24"')
        return
    for device in own if adapter.ip.is_loopback else ():
        if device.port == table.port:
            # the BACnet stack hands a packet to its own port on any 127.* address to itself
            problems.add(
                ("devices", device.id, "address"),
                f"port {device.port} is the adapter's own",
                f"on loopback each device needs another port than [{'.'.join(map(str, path))}]",
            )
