"""What polling may cost a network: requests a second, and the part of its time that a path is busy."""

from __future__ import annotations

import asyncio
from collections.abc import Callable, Iterable
from typing import Final

from plantview.drivers.exchange import Budget
from plantview.model.plant import Device

WINDOW_S: Final = 60
BUSY_MAX: Final = 0.7
"""Part of its time that a path may be busy with polling: what is left is for late answers, probes and others."""
BURST_S: Final = 0.25
"""Requests of so many seconds may leave together after a pause."""


class Recent:
    """A sum over the last minute, in one-second pockets."""

    def __init__(self, now_s: Callable[[], float]) -> None:
        self._now_s, self._started_s = now_s, now_s()
        self._pockets: dict[int, float] = {}

    def add(self, amount: float) -> None:
        """Count something that happened now."""
        second = int(self._now_s())
        self._pockets[second] = self._pockets.get(second, 0.0) + amount
        if len(self._pockets) > WINDOW_S + 1:
            self._drop(second)

    def per_second(self) -> float:
        """Return the mean over the last minute, or over the time since the start if that is shorter."""
        now_s = self._now_s()
        self._drop(int(now_s))
        return sum(self._pockets.values()) / min(max(now_s - self._started_s, 1.0), WINDOW_S)

    def _drop(self, second: int) -> None:
        self._pockets = {at: amount for at, amount in self._pockets.items() if at > second - WINDOW_S}


class Allowance:
    """Lets requests pass at most so often; ``per_s`` 0 only counts them."""

    def __init__(self, per_s: float) -> None:
        self.per_s = per_s
        self._free_s = 0.0
        """When the next request would leave if all were spaced evenly."""
        self._used: Recent | None = None

    async def turn(self) -> None:
        """Wait until one more request may leave."""
        loop = asyncio.get_running_loop()
        if self._used is None:
            self._used = Recent(loop.time)
        self._used.add(1.0)
        if not self.per_s:
            return
        now_s = loop.time()
        self._free_s = max(self._free_s, now_s) + 1.0 / self.per_s
        wait_s = self._free_s - now_s - max(BURST_S, 1.0 / self.per_s)
        if wait_s > 0:
            await asyncio.sleep(wait_s)

    def used_per_s(self) -> float:
        """Return requests a second over the last minute."""
        return self._used.per_second() if self._used else 0.0


def together(*allowances: Allowance) -> Budget:
    """Return the budget that keeps to all of some allowances: the device's own, its path's, its network's."""

    async def turn() -> None:
        for each in allowances:
            await each.turn()

    return turn


def shared(devices: Iterable[Device], speed: float) -> Allowance:
    """Return what devices on one path may be asked together: as much as the one with the largest budget.

    A simulated plant that runs faster is asked as often per second of its own time.
    """
    budgets = [device.requests_per_s for device in devices]
    return Allowance(max(budgets) * speed if all(budgets) else 0.0)
