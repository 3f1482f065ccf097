"""Where a request comes from: the peer itself, or what the one trusted proxy in front says about it."""

from __future__ import annotations

import ipaddress
from dataclasses import dataclass
from typing import Final

from starlette.datastructures import Headers
from starlette.types import Scope

from plantview.web.answers import Problem

FORWARDED_MAX: Final = 1_000
_ENCRYPTED: Final = ("https", "wss")


@dataclass(frozen=True, slots=True)
class Caller:
    """One request's origin on the network."""

    source: str
    secure: bool
    """Whether everything between browser and server, or proxy, is encrypted."""


def caller_of(scope: Scope, headers: Headers, proxy: str) -> Caller:
    """Return who asks; ``proxy`` is the only address that is believed, and the only way in where it is given.

    Problem 403 for a request that goes past the proxy, or comes through it without saying from whom and how.
    """
    told = str((scope.get("client") or ("unknown",))[0])
    peer = _address(told) or told
    if not proxy:
        return Caller(peer, scope.get("scheme") in _ENCRYPTED)
    if peer != (_address(proxy) or proxy):
        raise Problem(403, "this server answers through its gateway only", "use the address of the gateway")
    # what stands last was added by the trusted proxy itself, what stands before came from outside
    source = _address(headers.get("x-forwarded-for", "")[-FORWARDED_MAX:].rpartition(",")[2].strip())
    scheme = headers.get("x-forwarded-proto", "")[-FORWARDED_MAX:].rpartition(",")[2].strip().lower()
    if not source or scheme not in _ENCRYPTED:
        raise Problem(
            403,
            "the gateway does not say who asks, or the way to it is not encrypted",
            "let it set X-Forwarded-For and X-Forwarded-Proto: https",
        )
    return Caller(source, secure=True)


def _address(text: str) -> str:
    """Return an address in its one form, an IPv4 one also where a dual socket reports it as IPv6; else nothing."""
    try:
        found = ipaddress.ip_address(text)
    except ValueError:
        return ""
    return str(getattr(found, "ipv4_mapped", None) or found)
