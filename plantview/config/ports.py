"""Free loopback ports for simulated devices, so that two demos never meet."""

from __future__ import annotations

import secrets
import socket
from typing import Final

_KINDS: Final = {"bacnet": socket.SOCK_DGRAM, "modbus": socket.SOCK_STREAM}
_CHOICE: Final = range(20_000, 32_000)
"""Below the range from which systems serve clients that name no port: what is free here stays so until it is bound."""
_TRIES_MAX: Final = 50


def free_address(host: str, protocol: str) -> str:
    """Return ``host:port`` with a port that was free a moment ago."""
    return f"{host}:{free_port(_KINDS[protocol], host)}"


def free_port(kind: socket.SocketKind, host: str = "127.0.0.1") -> int:
    """Return a port that was free a moment ago; raise OSError where the machine has none."""
    for port in (*(secrets.choice(_CHOICE) for _ in range(_TRIES_MAX)), 0):
        with socket.socket(socket.AF_INET, kind) as probe:
            try:
                probe.bind((host, port))
            except OSError:
                if port == 0:
                    raise
                continue
            return int(probe.getsockname()[1])
    raise AssertionError("the loop ends with the system's own choice")
