"""Sockets that a simulated device listens on, and the sentence when it may not."""

from __future__ import annotations

import errno
import socket
from typing import Final

from plantview.errors import StartRefused

_REASONS: Final[dict[int, tuple[str, str]]] = {
    errno.EADDRINUSE: (
        "another program on this computer uses it",
        "stop that program (perhaps a simulated plant that still runs), or give the device another address in plant.toml",
    ),
    errno.EADDRNOTAVAIL: (
        "this computer has no such address",
        "give the device an address of this computer in plant.toml; 127.0.0.1 always works",
    ),
    errno.EACCES: (
        "ports below 1024 need more rights than this program has",
        "give the device a port of 1024 or above in plant.toml",
    ),
}


def start_refused(device: str, protocol: str, host: str, port: int, error: OSError) -> StartRefused:
    """Return the refusal that says which device, where, why and what to do."""
    why, remedy = _REASONS.get(error.errno or 0, (str(error), "correct the device's address in plant.toml"))
    return StartRefused(f"{device} cannot listen on {protocol} {host}:{port}: {why} -> {remedy}")


def udp_socket(host: str, port: int, *, shared: bool = False) -> socket.socket:
    """Return a bound datagram socket; OSError when the address is taken.

    ``shared`` is for broadcast addresses, which several devices on one computer hear. An own
    address is bound exclusively: with SO_REUSEPORT a second device would bind in silence
    and each would get half of the traffic.
    """
    bound = socket.socket(socket.AF_INET, socket.SOCK_DGRAM)
    try:
        bound.setblocking(False)
        bound.setsockopt(socket.SOL_SOCKET, socket.SO_BROADCAST, 1)
        if shared:
            bound.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
        bound.bind((host, port))
    except OSError:
        bound.close()
        raise
    return bound
