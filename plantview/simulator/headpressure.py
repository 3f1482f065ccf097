"""Holds the lift of a machine by the valve of its condenser, when the towers are colder than it can bear.

Form: ASHRAE Guideline 36-2021 5.20.10, a reverse-acting loop that holds leaving condenser water
over leaving chilled water at its minimum, as documented with its public Modelica implementation.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

from plantview.simulator.pi import PiLoop
from plantview.simulator.trains import Train
from plantview.simulator.water import specific_heat

MARGIN_K: Final = 1.0
"""The loop holds so much more than the least lift."""
LIFT_SPAN_K: Final = 4.0
LEAST_FLOW_MARGIN: Final = 1.12
THROTTLED_PCT: Final = 97.0


@dataclass(frozen=True, slots=True)
class Taken:
    """Load that an economiser takes off one machine, between return and tower water."""

    heat_kw: float
    return_c: float
    tower_c: float


NOTHING_TAKEN: Final = Taken(0.0, 12.0, 12.0)
LEAST_DRIVE_K: Final = 1.0


class HeadPressure:
    """One loop for each chiller that has a condenser valve and a stated least lift."""

    def __init__(self, trains: Sequence[Train]) -> None:
        self._trains = [train for train in trains if train.layout.cw_valves and train.layout.least_lift_k > 0]
        self._loops = {train.id: PiLoop(40.0, 60.0, (8.0, 100.0), 100.0) for train in self._trains}
        self._of_valve = {name: train.id for train in self._trains for name in train.layout.cw_valves}

    def step(self, dt_s: float) -> None:
        """Throttle as far as the lift asks and the least flow allows."""
        for train in self._trains:
            loop, chiller = self._loops[train.id], train.chiller
            if not chiller.panel.compressor_on:
                loop.rest(100.0)
                continue
            lift_k = chiller.condenser.out_c - chiller.evaporator.out_c
            by_lift = (lift_k - train.layout.least_lift_k - MARGIN_K) / LIFT_SPAN_K
            by_flow = LEAST_FLOW_MARGIN - chiller.condenser.flow / chiller.rating.least_cw_flow
            loop.step(max(min(by_lift, 1.0), 4 * by_flow), dt_s)

    def coldest_c(self, train: Train, taken: Taken = NOTHING_TAKEN) -> float:
        """Return the entering water at which the least condenser flow still gives the least lift.

        Colder water takes load off the machine, and less load asks for warmer water: both are
        solved together, or towers and economiser would chase each other.
        """
        if train.id not in self._loops:
            return -math.inf
        chiller = train.chiller
        rate = LEAST_FLOW_MARGIN * chiller.rating.least_cw_flow * specific_heat(20.0)
        lifted_c = chiller.evaporator.out_c + train.layout.least_lift_k + MARGIN_K
        rise_k = chiller.condenser.heat_kw / rate
        drive_k = taken.return_c - taken.tower_c
        if taken.heat_kw <= 0 or drive_k < LEAST_DRIVE_K:
            return lifted_c - rise_k
        without_k = rise_k + taken.heat_kw / rate
        per_k = taken.heat_kw / rate / drive_k
        return (lifted_c - without_k + per_k * taken.return_c) / (1 + per_k)

    def limit_pct(self, valve: str) -> float:
        """Return how far a valve of an open branch may be open."""
        train = self._of_valve.get(valve)
        return self._loops[train].output if train else 100.0

    def throttles(self, train: Train) -> bool:
        """Return whether the machine's condenser water is held back."""
        loop = self._loops.get(train.id)
        return loop is not None and loop.output < THROTTLED_PCT
