"""Runs tower fans together at one speed, or one after the other."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from typing import Final

from plantview.simulator.cell import Cell
from plantview.simulator.pump import Fan

TOGETHER: Final = "together"
ONE_BY_ONE: Final = "one by one"
SEQUENCES: Final = (TOGETHER, ONE_BY_ONE)
FANS_OFF_K: Final = 0.56
FANS_OFF_S: Final = 300.0
FANS_REST_S: Final = 60.0
STAGE_S: Final = 180.0
"""Between two fans that are staged: a motor at full voltage bears few starts an hour."""
STAGE_BAND: Final = 0.35
"""A fan is taken off when the demand is so far, in fans, below those that turn."""


class FanSequence:
    """Which fans of one loop's cells turn, and how fast.

    Fans with variable speed drives run together, constant speed fans one by one, unless ``sequence`` says so:
    for half of all air, cells in step need a quarter of the power of cells in turn (affinity laws).
    """

    def __init__(self, cells: Mapping[str, Cell], sequence: str = "") -> None:
        self._cells = cells
        self._fans = [fan for cell in cells.values() for fan in cell.fans]
        variable = bool(self._fans) and all(fan.variable for fan in self._fans)
        self.sequence = sequence or (TOGETHER if variable else ONE_BY_ONE)
        self.on = False
        self._since_s = FANS_REST_S
        self._staged_s = STAGE_S
        self._demand_pct = 0.0
        self._turning: list[Fan] = []
        self._free = 0

    def step(self, demand_pct: float, error_k: float, wet: Sequence[str], dt_s: float) -> None:
        """Decide; ``demand_pct`` of all air is asked for, ``error_k`` is how much too warm the water is."""
        self._demand_pct = demand_pct
        self._since_s += dt_s
        self._staged_s += dt_s
        least = max((fan.min_speed_pct for fan in self._fans if fan.variable), default=20.0)
        idle = demand_pct <= least and error_k < -FANS_OFF_K
        if self.on and not idle:
            self._since_s = 0.0
        if self.on and (not wet or self._since_s >= FANS_OFF_S):
            self.on, self._since_s = False, 0.0
        elif not self.on and wet and error_k > FANS_OFF_K and self._since_s >= FANS_REST_S:
            self.on, self._since_s = True, 0.0
        free = [fan for name in wet for fan in self._cells[name].fans] if self.on else []
        self._free = len(free)
        self._turning = free if self.sequence == TOGETHER else self._staged(free)

    def _staged(self, free: list[Fan]) -> list[Fan]:
        turning = [fan for fan in self._turning if fan in free]
        asked = self._demand_pct / 100 * len(free)
        more = math.ceil(asked) > len(turning)
        fewer = asked < len(turning) - 1 - STAGE_BAND
        if self._staged_s < STAGE_S or not (more or fewer):
            return turning
        if more:
            idle = [fan for fan in free if fan not in turning]
            turning += sorted(idle, key=lambda fan: fan.run_hours)[:1]
        else:
            turning.remove(max(turning, key=lambda fan: fan.run_hours))
        self._staged_s = 0.0
        return turning

    def wanted(self, fan: Fan) -> tuple[bool, float]:
        """Return whether a fan shall turn, and at which speed."""
        turns = fan in self._turning
        if not fan.variable:
            return turns, 100.0
        share = self._demand_pct
        if self.sequence == ONE_BY_ONE and turns:
            # those before it run full, the last one takes what is left
            share = min(max(self._demand_pct * self._free - 100 * self._turning.index(fan), 0.0), 100.0)
        return turns, max(share, fan.min_speed_pct)
