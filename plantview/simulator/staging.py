"""Decides how many chillers run, and which."""

from __future__ import annotations

import math
from typing import Final

from plantview.simulator.trains import Train

UP_SHARE: Final = 0.95
UP_S: Final = 600.0
DOWN_SHARE: Final = 0.90
"""A stage is taken off when the others would carry the load below this share of their capacity."""
DOWN_S: Final = 900.0
STAGE_S: Final = 900.0
"""Least time between two stages."""
PUMP_HEAT: Final = 1.03
"""Chillers also carry away what the pumps put into the water."""
WARM_SUPPLY_K: Final = 1.0
AVERAGE_S: Final = 300.0
ROTATE_S: Final = 7 * 86_400.0
"""A machine that has run so long without a stop gives way to an idle one with fewer hours (common practice: weekly)."""
OVERLAP_S: Final = 1_800.0
"""Longest time that both may run while they change places."""


class Staging:
    """Load-based staging with stage times; failed chillers are replaced at once."""

    def __init__(self, trains: list[Train]) -> None:
        self._trains = trains
        self.count = 0
        self.load_kw = 0.0
        self._up_s = self._down_s = 0.0
        self._since_change_s = STAGE_S
        self._least = max(sum(train.cannot_stand for train in trains), 1)
        """Machines that would only pass warm water on when they stand run with the others."""
        self.paused = False
        """Something else carries the load: no machine is wanted."""
        self._without_stop_s = dict.fromkeys((train.id for train in trains), 0.0)
        self._giving_way: Train | None = None
        self._overlap_s = 0.0

    def start_with(self, load_kw: float) -> None:
        """Set the stage of a warm plant."""
        self.load_kw = load_kw
        capacity = self._trains[0].chiller.rating.capacity_kw
        self.count = min(max(self._least, math.ceil(load_kw * PUMP_HEAT / (capacity * UP_SHARE))), len(self._trains))
        for train in self._trains[: self.count]:
            train.run_at_once()

    def step(self, dt_s: float, supply_error_k: float, distribution_share: float) -> None:
        """Move stages; ``distribution_share`` is the buildings' flow over what the running chillers are piped for."""
        load = sum(train.chiller.load_kw for train in self._trains)
        self.load_kw += (load - self.load_kw) * min(dt_s / AVERAGE_S, 1.0)
        self._since_change_s += dt_s
        if self.paused:
            self.count = 0
            for train in self._trains:
                train.wanted = False
            return
        self._rotate(dt_s)
        running = [train for train in self._trains if train.running]
        capacity = sum(train.chiller.rating.capacity_kw for train in running)
        settled = len(running) >= self.count > 0
        short = settled and (
            self.load_kw > UP_SHARE * capacity or supply_error_k > WARM_SUPPLY_K or distribution_share > 1.03
        )
        self._up_s = self._up_s + dt_s if short else 0.0
        spare = settled and len(running) > 1 and self._spare(running, capacity, distribution_share)
        self._down_s = self._down_s + dt_s if spare else 0.0
        self._change()
        self._choose()

    def _spare(self, running: list[Train], capacity: float, distribution_share: float) -> bool:
        without = capacity * (len(running) - 1) / len(running)
        flow_without = distribution_share * len(running) / (len(running) - 1)
        return self.load_kw < DOWN_SHARE * without and flow_without < 0.95

    def _change(self) -> None:
        if self.count == 0:
            self.count, self._since_change_s = self._least, 0.0
        if self._since_change_s < STAGE_S:
            return
        if self._up_s >= UP_S and self.count < len(self._trains):
            self.count += 1
        elif self._down_s >= DOWN_S and self.count > self._least:
            self.count -= 1
        else:
            return
        self._since_change_s = self._up_s = self._down_s = 0.0

    def _rotate(self, dt_s: float) -> None:
        """Let a machine that ran for a week give way: the other starts first, then it stops."""
        for train in self._trains:
            self._without_stop_s[train.id] = self._without_stop_s[train.id] + dt_s if train.running else 0.0
        if self._giving_way:
            self._overlap_s += dt_s
            settled = sum(train.running for train in self._trains) > self.count
            if settled or self._overlap_s >= OVERLAP_S or not self._giving_way.running:
                self._giving_way.wanted = not settled and self._giving_way.wanted
                self._giving_way, self._since_change_s = None, 0.0
            return
        due = [train for train in self._trains if train.running and self._without_stop_s[train.id] >= ROTATE_S]
        rested = [train for train in self._trains if train.available and not train.wanted and train.ready_soon]
        if due and rested and self._since_change_s >= STAGE_S:
            worn = max(due, key=lambda train: train.chiller.run_hours)
            if min(train.chiller.run_hours for train in rested) < worn.chiller.run_hours:
                self._giving_way, self._overlap_s = worn, 0.0

    def _choose(self) -> None:
        """Keep who runs; add the one with the fewest hours, take off the one with the most."""
        for train in self._trains:
            train.wanted = train.wanted and train.available
        wanted = [train for train in self._trains if train.wanted]
        count = self.count + (self._giving_way is not None)
        while len(wanted) > count:
            worn = max(wanted, key=lambda train: train.chiller.run_hours)
            worn.wanted = False
            wanted.remove(worn)
        free = [train for train in self._trains if train.available and not train.wanted]
        free.sort(key=lambda train: (not train.ready_soon, train.chiller.run_hours))
        for train in free[: max(count - len(wanted), 0)]:
            train.wanted = True
