"""Whether a device hears what is sent to it, and how long it thinks before it answers."""

from __future__ import annotations

import asyncio
import contextlib
from typing import Final

WAITING_MAX: Final = 64
"""Requests that a slow device keeps for later; further ones are lost, as in a full buffer."""


class Attention:
    """Silence and slowness of one device."""

    def __init__(self) -> None:
        self.silent = False
        self.latency_s = 0.0
        """Real seconds that it takes to answer: waiting for an answer is in real time at any speed of the plant."""
        self._waiting = 0
        self._left = asyncio.Event()

    async def heard(self) -> bool:
        """Wait as long as the device thinks; return whether it takes the request up."""
        if self.silent or self._waiting >= WAITING_MAX:
            return False
        if self.latency_s <= 0:
            return True
        self._waiting += 1
        left = self._left
        try:
            with contextlib.suppress(TimeoutError):
                await asyncio.wait_for(left.wait(), self.latency_s)
        finally:
            self._waiting -= 1
        return self._listening(left)

    def _listening(self, left: asyncio.Event) -> bool:
        return not self.silent and not left.is_set()

    def leave(self) -> None:
        """Drop every request that waits: the power is off."""
        self._left.set()
        self._left = asyncio.Event()
