"""Changes over to cooling by the towers alone or ahead of the chillers, and back.

Enable and disable follow the form of ASHRAE Guideline 36-2021 5.20.3 for a waterside economiser,
as documented with its public Modelica implementation; the second limits are our own choice.
"""

from __future__ import annotations

import math
from typing import Final

from plantview.simulator.headpressure import NOTHING_TAKEN, Taken
from plantview.simulator.layout import ExchangerLayout, Layout
from plantview.simulator.machines import Machines
from plantview.simulator.outputs import Outputs

TOWER_APPROACH_K: Final = 4.0
"""Tower leaving water over wet bulb that is counted on."""
WORTH_K: Final = 2.0
"""The exchanger must be expected to cool the return by so much."""
NOT_WORTH_K: Final = 0.6
OFF_LEAST_S: Final = 1_200.0
ON_LEAST_S: Final = 2_400.0
COLDER_K: Final = 1.5
WORKED_S: Final = 7_200.0
OFF_MOST_S: Final = 86_400.0
"""Beside the chillers: a takeover that lasted less than WORKED_S is tried again after twice the time, up to a day."""
TOWERS_FIRST_S: Final = 1_200.0
"""So long an economiser beside the chillers waits for cold tower water before it takes over as it is."""
NOT_WORTH_S: Final = 600.0
CARRIES_K: Final = 1.6
"""The chiller rests when the exchanger gives water so close to the setpoint."""
CARRIES_S: Final = 120.0
TOO_WARM_K: Final = 1.0
TOO_WARM_S: Final = 300.0
"""Beyond this the exchanger alone is not enough and the chiller comes back."""
CARRIES_MARGIN_K: Final = 0.3
ALONE_OFF_S: Final = 1_800.0


class Economiser:
    """The exchanger, its valves and its bypass; does nothing in a plant without one."""

    def __init__(self, layout: Layout, machines: Machines, outputs: Outputs) -> None:
        self.layout = layout.exchanger
        self.on = False
        self._machines = machines
        self._outputs = outputs
        self._in_state_s = OFF_LEAST_S
        self._poor_s = 0.0
        self.opened = False
        """The return goes through it: only while the tower water is colder."""
        self.alone = False
        """The chillers rest: water still passes through their evaporators."""
        self._floor_c = -math.inf
        self._verdict_s = 0.0
        self._since_alone_s = ALONE_OFF_S
        self._off_least_s = OFF_LEAST_S

    def run_at_once(self) -> None:
        """Take up the state that the weather asks for in a warm plant."""
        if self.layout is None:
            return
        if self.layout.beside:
            return
        self.on = self.opened = self._predicted_c(self.layout) + WORTH_K < self.layout.warm_in_c
        passed = (*self.layout.warm_valves, *self.layout.cool_valves) if self.opened else self.layout.bypass_valves
        for name in passed:
            self._machines.valves[name].position_pct = 100.0

    def expects_to_carry(self, setpoint_c: float) -> bool:
        """Return whether the weather is cold enough for the exchanger alone."""
        if self.layout is None or not self.on or self._since_alone_s < ALONE_OFF_S:
            return False
        return self._predicted_c(self.layout) < setpoint_c + CARRIES_MARGIN_K

    def step(
        self, dt_s: float, water_moves: bool, supply: tuple[float, float], floor_c: float, one_chiller: bool
    ) -> None:
        """Decide, and drive the valves; ``supply`` is setpoint and temperature of the chilled water.

        ``floor_c`` is the condenser water below which a running machine lacks lift.
        """
        self._floor_c = floor_c
        setpoint_c, supply_c = supply
        if self.layout is None:
            return
        self._in_state_s += dt_s
        if self.layout.beside:
            self._take_over(self.layout, dt_s, water_moves, (setpoint_c, supply_c))
        else:
            self._decide(self.layout, dt_s, water_moves)
            self._rest(self.layout, dt_s, setpoint_c, supply_c, one_chiller)
            self._open(self.layout)
        for name in self.layout.cool_valves:
            self._drive(name, 100.0 if self.on else 0.0)
        for name in self.layout.warm_valves:
            self._drive(name, 100.0 if self.opened else 0.0)
        for name in self.layout.bypass_valves:
            self._drive(name, 0.0 if self.opened else 100.0)

    def _open(self, layout: ExchangerLayout) -> None:
        exchanger = self._machines.exchangers[layout.id]
        colder_k = self._machines.circuits[layout.loop].by_name[layout.start].temp_c - exchanger.cool.in_c
        least_k = NOT_WORTH_K if self.opened else COLDER_K
        self.opened = self.on and colder_k > least_k

    def _decide(self, layout: ExchangerLayout, dt_s: float, water_moves: bool) -> None:
        exchanger = self._machines.exchangers[layout.id]
        if not self.on:
            returning_c = self._machines.circuits[layout.loop].by_name[layout.start].temp_c
            if (
                water_moves
                and self._in_state_s >= OFF_LEAST_S
                and returning_c > max(self._predicted_c(layout), self._floor_c + layout.approach_k) + WORTH_K
            ):
                self.on, self._in_state_s, self._poor_s = True, 0.0, 0.0
            return
        gained_k = exchanger.warm.in_c - exchanger.warm.out_c
        self._poor_s = self._poor_s + dt_s if gained_k < NOT_WORTH_K else 0.0
        worthless = self._in_state_s >= ON_LEAST_S and self._poor_s >= NOT_WORTH_S
        if worthless or not water_moves:
            self.on, self._in_state_s = False, 0.0

    def _take_over(self, layout: ExchangerLayout, dt_s: float, water_moves: bool, supply: tuple[float, float]) -> None:
        """Beside the chillers: towers first, then the exchanger for all of the load, or back to the chillers."""
        setpoint_c, supply_c = supply
        cool_c = self._machines.exchangers[layout.id].cool.in_c
        returning_c = self._machines.circuits[layout.loop].by_name[layout.start].temp_c
        cold_enough = self._predicted_c(layout) < setpoint_c + CARRIES_MARGIN_K
        if not self.on:
            if water_moves and cold_enough and self._in_state_s >= self._off_least_s:
                self.on, self._in_state_s, self._verdict_s = True, 0.0, 0.0
            return
        if not self.alone:
            waited = self._in_state_s >= TOWERS_FIRST_S and cool_c < returning_c - COLDER_K
            self.alone = waited or cool_c + layout.approach_k < setpoint_c + CARRIES_K
            failed = not cold_enough or self._in_state_s >= ON_LEAST_S
        else:
            self._verdict_s = self._verdict_s + dt_s if supply_c > setpoint_c + TOO_WARM_K else 0.0
            failed = self._verdict_s >= TOO_WARM_S and self._in_state_s >= TOWERS_FIRST_S
            turning = any(chiller.panel.compressor_on for chiller in self._machines.chillers.values())
            self.opened = self.opened or not turning  # their flow is theirs until they have stopped
        if failed:
            lasted = self._in_state_s >= WORKED_S
            self._off_least_s = OFF_LEAST_S if lasted else min(2 * self._off_least_s, OFF_MOST_S)
            self.on = self.alone = self.opened = False
            self._in_state_s = self._verdict_s = 0.0

    def taken(self, machines: int) -> Taken:
        """Return what the exchanger takes off each of so many machines."""
        if self.layout is None or not machines:
            return NOTHING_TAKEN
        exchanger = self._machines.exchangers[self.layout.id]
        return Taken(exchanger.heat_kw / machines, exchanger.warm.in_c, exchanger.cool.in_c)

    @property
    def replaces_chillers(self) -> bool:
        """Return whether water passes through it in place of all chillers."""
        return self.layout is not None and self.layout.beside and self.alone

    def _rest(
        self, layout: ExchangerLayout, dt_s: float, setpoint_c: float, supply_c: float, one_chiller: bool
    ) -> None:
        """Let the last chiller rest while the exchanger carries the load, and call it back when it does not."""
        self._since_alone_s += dt_s
        if self.alone:
            self._verdict_s = self._verdict_s + dt_s if supply_c > setpoint_c + TOO_WARM_K else 0.0
            if not self.on or self._verdict_s >= TOO_WARM_S:
                self.alone, self._verdict_s, self._since_alone_s = False, 0.0, 0.0
            return
        carries = (
            one_chiller
            and self.expects_to_carry(setpoint_c)
            and self._machines.exchangers[layout.id].warm.out_c < setpoint_c + CARRIES_K
        )
        self._verdict_s = self._verdict_s + dt_s if carries else 0.0
        if self._verdict_s >= CARRIES_S:
            self.alone, self._verdict_s = True, 0.0

    def _predicted_c(self, layout: ExchangerLayout) -> float:
        """Return the chilled water that the exchanger would give in this weather."""
        return self._machines.air.wet_bulb_c + TOWER_APPROACH_K + layout.approach_k

    def _drive(self, name: str, own_pct: float) -> None:
        self._machines.valves[name].command_pct = self._outputs.drive(f"{name}.command", own_pct)
