"""Free loopback ports for simulated devices, so that two demos never meet."""

from __future__ import annotations

import socket
from typing import Final

_KINDS: Final = {"bacnet": socket.SOCK_DGRAM, "modbus": socket.SOCK_STREAM}


def free_address(host: str, protocol: str) -> str:
    """Return ``host:port`` with a port that was free a moment ago, chosen by the system."""
    with socket.socket(socket.AF_INET, _KINDS[protocol]) as probe:
        probe.bind((host, 0))
        return f"{host}:{probe.getsockname()[1]}"
