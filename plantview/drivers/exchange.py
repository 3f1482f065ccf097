"""What every driver hands back besides a number."""

from __future__ import annotations

from collections.abc import Awaitable, Callable
from dataclasses import dataclass
from typing import Final

OCTETS_KEPT: Final = 48
"""Octets of a request or an answer that are kept for the health page."""


@dataclass(frozen=True, slots=True)
class NoValue:
    """The device answered for this point, and its answer holds no number for it."""

    why: str
    """In the crew's words; an own word of the device stands in it as it is."""


@dataclass(frozen=True, slots=True)
class Exchange:
    """One request and what came back, cut to ``OCTETS_KEPT`` octets."""

    sent: bytes
    received: bytes
    outcome: str
    """``ok``, or the sentence of the failure."""


Trace = Callable[[Exchange], None]
"""Called once per exchange, before its failure is raised."""


def ignore(_: Exchange) -> None:
    """Keep no trace."""


Budget = Callable[[], Awaitable[None]]
"""Awaited before each request: it returns when the request may leave."""


async def unlimited() -> None:
    """Let every request leave at once."""


def exchange(sent: bytes, received: bytes, outcome: str) -> Exchange:
    """Return the exchange with both frames cut to what is kept."""
    return Exchange(bytes(sent[:OCTETS_KEPT]), bytes(received[:OCTETS_KEPT]), outcome)
