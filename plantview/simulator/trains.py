"""Brings one chiller on and takes it off, in the order of the trade.

Valves open, pumps start and are proven, both flows are proven at the chiller, then it is
enabled; back: chiller off, its own run-on over (it asks for no more flow), pumps, valves.
"""

from __future__ import annotations

import math
from typing import Final

from plantview.simulator.chiller import Chiller
from plantview.simulator.layout import TrainLayout
from plantview.simulator.machines import Machines
from plantview.simulator.outputs import Outputs
from plantview.simulator.panel import FAULT, INHIBIT, OFF, RUN, STARTING

IDLE, OPENING, PROVING, ON, EASING, UNLOADING, CLOSING, FAILED = (
    "idle",
    "opening",
    "proving",
    "on",
    "easing",
    "unloading",
    "closing",
    "failed",
)
WATER_AT_PCT: Final = 40.0
"""Pumps start when the isolation valves are this far open: no dead-heading, no starved neighbour."""
CREEP_FROM_PCT: Final = 12.0
"""A machine that joins others lets its chilled water in from here: the pump starts, the valve creeps on."""
CREEP_S: Final = 90.0
"""The opening grows by a factor of e in so long: flow, not position, rises evenly."""
PRECOOL_S: Final = 120.0
"""So long the others make their water colder before the new machine's warm water comes."""
KEEPS_UP_K: Final = 0.6
"""Its valve creeps on only while its water is so close to the setpoint."""
EASED_SHARE: Final = 1.15
"""A machine that leaves others is throttled to this share of the flow that makes its switch, then stopped."""
EASE_S_MAX: Final = 420.0
OPEN_AT_PCT: Final = 95.0
PROOF_HOLD_S: Final = 10.0
PROOF_TIMEOUT_S: Final = 180.0
CLOSING_S: Final = 60.0
LOCKOUT_S: Final = 900.0


class Train:
    """One chiller with its valves and dedicated pumps."""

    def __init__(self, layout: TrainLayout, machines: Machines, outputs: Outputs) -> None:
        self.layout = layout
        self.id = layout.chiller
        self.chiller: Chiller = machines.chillers[layout.chiller]
        self.state = IDLE
        self.wanted = False
        self.resting = False
        """Its water passes on while its chiller rests: an economiser carries the load."""
        self.joins_others = False
        """Others run: its water is let in and taken away slowly, so that theirs is not warmed."""
        self.creep_pct = 0.0
        """How far its chilled water valve may be open."""
        self._in_state_s = 0.0
        self._proven_s = 0.0
        self._chw_valves = [machines.valves[name] for name in layout.chw_valves]
        self._cw_valves = [machines.valves[name] for name in layout.cw_valves]
        self._valves = [machines.valves[name] for name in layout.valves]
        self._pumps = [machines.pumps[name] for name in layout.own_pumps]
        self._outputs = outputs

    @property
    def available(self) -> bool:
        """Return whether it may be asked to run."""
        return self.state != FAILED and self.chiller.panel.mode != FAULT

    @property
    def ready_soon(self) -> bool:
        """Return whether no anti-recycle timer holds it back."""
        return self.chiller.panel.mode != INHIBIT or self.state != IDLE

    @property
    def needs_water(self) -> bool:
        """Return whether pumps have to move water through it."""
        if self.state == OPENING:
            least_pct = min(WATER_AT_PCT, CREEP_FROM_PCT - 1) if self.joins_others else WATER_AT_PCT
            opened = all(valve.position_pct >= least_pct for valve in self._chw_valves)
            return opened and all(valve.position_pct >= WATER_AT_PCT for valve in self._cw_valves)
        return self.state in {PROVING, ON, EASING, UNLOADING}

    @property
    def wants_open(self) -> bool:
        """Return whether its isolation valves belong open."""
        return self.state in {OPENING, PROVING, ON, EASING, UNLOADING}

    @property
    def changing(self) -> bool:
        """Return whether it is about to disturb the water of the others: they make theirs colder meanwhile."""
        if self.state == ON:
            return self.creep_pct < OPEN_AT_PCT
        return self.state in {OPENING, PROVING, EASING, UNLOADING}

    @property
    def rests(self) -> bool:
        """Return whether its chiller rests and needs no condenser water."""
        return self.resting and self.chiller.panel.mode in {OFF, INHIBIT}

    @property
    def _takes_more(self) -> bool:
        """Return whether more water may come: its switch has not made yet, or it cools what it gets."""
        if self.state == PROVING:
            return not self.chiller.chw_switch.closed
        keeps_up = self.chiller.evaporator.out_c < self.chiller.setpoint_c + KEEPS_UP_K
        return self.state == ON and self.chiller.panel.mode == RUN and keeps_up

    @property
    def cannot_stand(self) -> bool:
        """Return whether water passes through it whenever others run: no valve, no pump of its own to stop it."""
        return not self.layout.chw_valves and not self.layout.own_pumps

    @property
    def running(self) -> bool:
        """Return whether its compressor is at work or about to be."""
        return self.state == ON and self.chiller.panel.mode in {STARTING, RUN}

    def run_at_once(self) -> None:
        """Put a running train into a warm plant."""
        self.state, self.wanted, self._in_state_s, self.creep_pct = ON, True, LOCKOUT_S, 100.0
        for valve in self._valves:
            valve.position_pct = valve.command_pct = 100.0
        for pump in self._pumps:
            pump.speed_pct = 100.0
        self.chiller.enabled = True
        self.chiller.panel.run_at_once(2 * LOCKOUT_S)
        self.chiller.load_kw = 0.7 * self.chiller.rating.capacity_kw

    def step(self, dt_s: float) -> None:
        """Move the sequence on and enable the chiller; valves and pumps may serve two, the controller drives them."""
        self._in_state_s += dt_s
        proven = self.chiller.chw_switch.closed and self.chiller.cw_switch.closed
        self._proven_s = self._proven_s + dt_s if proven else 0.0
        self._creep(dt_s)
        following = self._following()
        if following != self.state:
            self.state, self._in_state_s = following, 0.0
        self.chiller.enabled = (
            self._outputs.drive(f"{self.id}.enable", float(self.state in {ON, EASING} and not self.resting)) > 0.5
        )

    def _creep(self, dt_s: float) -> None:
        """Move the limit of the chilled water valve: fast for the first machine, slowly beside others."""
        grown = math.exp(dt_s / CREEP_S)
        if not self.joins_others or not self._chw_valves:
            self.creep_pct = 100.0
        elif self.state == OPENING:
            self.creep_pct = CREEP_FROM_PCT if self._in_state_s >= PRECOOL_S else 0.0
        elif self._takes_more:
            self.creep_pct = min(self.creep_pct * grown, 100.0)
        elif self.state == EASING:
            self.creep_pct = max(self.creep_pct / grown, CREEP_FROM_PCT)

    def _following(self) -> str:
        return {
            IDLE: self._while_idle,
            OPENING: self._while_proving,
            PROVING: self._while_proving,
            ON: self._while_on,
            EASING: self._while_easing,
            UNLOADING: self._while_unloading,
            CLOSING: self._while_closing,
            FAILED: self._while_failed,
        }[self.state]()

    def _while_idle(self) -> str:
        return OPENING if self.wanted and self.chiller.panel.mode not in {FAULT, INHIBIT} else IDLE

    def _while_on(self) -> str:
        if self.chiller.panel.mode == FAULT:
            return FAILED
        if self.wanted:
            return ON
        return EASING if self.joins_others and self._chw_valves else UNLOADING

    def _while_easing(self) -> str:
        if self.chiller.panel.mode == FAULT:
            return FAILED
        if self.wanted:
            return ON
        eased = self.chiller.evaporator.flow < EASED_SHARE * self.chiller.chw_switch.make_flow
        return UNLOADING if eased or self._in_state_s >= EASE_S_MAX or not self.joins_others else EASING

    def _while_unloading(self) -> str:
        return CLOSING if self.chiller.panel.mode in {OFF, INHIBIT, FAULT} else UNLOADING

    def _while_closing(self) -> str:
        return IDLE if self._in_state_s >= CLOSING_S else CLOSING

    def _while_failed(self) -> str:
        over = self._in_state_s >= LOCKOUT_S and self.chiller.panel.mode != FAULT
        return IDLE if over else FAILED

    def _while_proving(self) -> str:
        if not self.wanted:
            return CLOSING
        if self.state == OPENING:
            slow = self._chw_valves if self.joins_others else []
            opened = all(valve.position_pct >= OPEN_AT_PCT for valve in self._valves if valve not in slow)
            return PROVING if opened and self.needs_water else OPENING
        if self._proven_s >= PROOF_HOLD_S and all(pump.running for pump in self._pumps):
            return ON
        return FAILED if self._in_state_s >= PROOF_TIMEOUT_S else PROVING
