"""The network adapters of this computer, which of them to use and why, and which program holds a port."""

from __future__ import annotations

import ipaddress
import socket
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

import psutil

from plantview.errors import StartRefused

FREE: Final = "free"
_VIRTUAL: Final = ("docker", "br-", "veth", "virbr", "tun", "tap", "wg")
"""Names of adapters behind which no controller stands, as Linux gives them; taken last."""
UDP, TCP = "udp", "tcp"


@dataclass(frozen=True, slots=True)
class Interface:
    """One IPv4 address of this computer."""

    name: str
    """As the system calls it: ``eth0``."""
    address: str
    """With its mask: ``192.168.10.5/24``."""
    up: bool

    @property
    def ipv4(self) -> ipaddress.IPv4Interface:
        """Return the address with its network."""
        return ipaddress.IPv4Interface(self.address)

    @property
    def broadcast(self) -> str:
        """Return where a broadcast goes."""
        return str(self.ipv4.network.broadcast_address)


def interfaces() -> list[Interface]:
    """Return every IPv4 address of this computer, in the system's order."""
    up = {name for name, state in psutil.net_if_stats().items() if state.isup}
    return [
        Interface(name, f"{found.address}/{ipaddress.IPv4Network(f'0.0.0.0/{found.netmask}').prefixlen}", name in up)
        for name, addresses in psutil.net_if_addrs().items()
        for found in addresses
        if found.family is socket.AF_INET and found.netmask
    ]


def choose(found: Sequence[Interface], wanted: str, hosts: Sequence[str]) -> tuple[Interface, str]:
    """Return the adapter to use and why; StartRefused says what this computer has instead.

    ``wanted`` is an address, with or without mask, or empty; ``hosts`` are IPv4 addresses to be reached.
    """
    if wanted:
        return _wanted(found, wanted), "as asked"
    usable = [one for one in found if one.up]
    for host in hosts:
        for one in usable:
            if _reaches(one, host):
                return one, f"{host} is in its network"
    wired = sorted((one for one in usable if not one.ipv4.is_loopback), key=lambda one: one.name.startswith(_VIRTUAL))
    if not wired:
        raise StartRefused(
            f"no adapter with an IPv4 address is up ({listed(found)}) -> connect one, or name one with --adapter"
        )
    if len(wired) == 1:
        return wired[0], "the only one that is up, besides loopback"
    return wired[0], f"the first of {len(wired)} that are up; name another with --adapter if the devices are not there"


def check(found: Sequence[Interface], address: str) -> str:
    """Return what is wrong with an adapter's address and mask as written in a plant; empty if nothing."""
    try:
        interface = _wanted(found, address)
    except StartRefused as error:
        return str(error)
    return (
        ""
        if interface.up
        else f"the adapter {interface.name} with {address} is down -> switch it on or plug its cable in"
    )


def _wanted(found: Sequence[Interface], wanted: str) -> Interface:
    ip, _, mask = wanted.partition("/")
    here = next((one for one in found if one.address.partition("/")[0] == ip), None)
    if here is None:
        raise StartRefused(f"this computer has no address {ip} -> use one of its own: {listed(found)}")
    own = here.address.partition("/")[2]
    if mask and mask != own:
        raise StartRefused(
            f"{ip} has the mask /{own} on this computer, not /{mask}: broadcasts would go to the wrong address"
            f" -> write {here.address}, or correct the adapter's mask in the system"
        )
    return here


def _reaches(interface: Interface, host: str) -> bool:
    try:
        return ipaddress.IPv4Address(host) in interface.ipv4.network
    except ValueError:
        return False


def listed(found: Sequence[Interface]) -> str:
    """Return the adapters in one line."""
    return ", ".join(f"{one.address} ({one.name}{'' if one.up else ', down'})" for one in found) or "it has none"


def holder(transport: str, host: str, port: int) -> str:
    """Return ``free``, or which program of this computer holds the ``udp`` or ``tcp`` port of an address."""
    for held in psutil.net_connections(kind=f"{transport}4"):
        if not held.laddr or held.laddr.port != port or held.laddr.ip not in {host, "0.0.0.0"}:  # noqa: S104 - compared
            continue
        if transport == UDP or held.status == psutil.CONN_LISTEN:
            return f"{transport.upper()} port {port} on {held.laddr.ip} is held by {_program(held.pid)}"
    return FREE


def _program(pid: int | None) -> str:
    """Return a program's name and number; the system hides those of other users."""
    if pid is None:
        return "a program of another user (its name is shown to root only)"
    try:
        return f"{' '.join(psutil.Process(pid).cmdline()[:4])[:80] or psutil.Process(pid).name()} (process {pid})"
    except psutil.Error:
        return f"process {pid}"
