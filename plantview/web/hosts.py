"""Names under which this server may be addressed, against pages that trick a browser into asking it (DNS rebinding)."""

from __future__ import annotations

import ipaddress
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

EVERY_INTERFACE: Final = ("0.0.0.0", "::")  # noqa: S104 -- compared with, not bound to
LOOPBACK: Final = ("127.0.0.1", "localhost", "[::1]")


@dataclass(frozen=True, slots=True)
class Hosts:
    """Names under which this server may be addressed; any other is a page that tricks a browser into asking us."""

    names: frozenset[str]
    any_address: int = 0
    """Port at which any numeric address is right as well (bound to all interfaces); 0 for none."""

    def allows(self, host: str) -> bool:
        """Return whether a Host header, ``name:port``, is one of ours."""
        if host.lower() in self.names:
            return True
        name, _, port = host.rpartition(":")
        return bool(self.any_address) and port == str(self.any_address) and is_address(name.strip("[]"))

    def allows_origin(self, origin: str) -> bool:
        """Return whether an Origin header names a page of ours."""
        scheme, _, host = origin.partition("://")
        return scheme in ("http", "https") and self.allows(host)


def allowed_hosts(bound: str, port: int, more: Sequence[str] = ()) -> Hosts:
    """Return the names for a server bound to ``bound:port``; ``more`` are ``name`` or ``name:port`` from outside."""
    every = bound in EVERY_INTERFACE
    named = [f"[{bound}]" if ":" in bound else bound] if not every else []
    full = [f"{name}:{port}" for name in (*LOOPBACK, *named)] + [
        name if ":" in name else f"{name}:{port}" for name in more
    ]
    short = [name.rpartition(":")[0] for name in full if name.endswith((":80", ":443"))]
    return Hosts(frozenset(name.lower() for name in (*full, *short)), port if every else 0)


def is_loopback(host: str) -> bool:
    """Whether an address to bind to is reached from this computer alone; a name is not trusted to be."""
    try:
        return ipaddress.ip_address(host.strip("[]")).is_loopback
    except ValueError:
        return host == "localhost"


def is_address(text: str) -> bool:
    """Whether a text is an address of a computer, not a name."""
    try:
        ipaddress.ip_address(text)
    except ValueError:
        return False
    return True
