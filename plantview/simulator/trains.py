"""Brings one chiller on and takes it off, in the order of the trade.

Valves open, pumps start and are proven, both flows are proven at the chiller, then it is
enabled; back: chiller off, its own run-on over (it asks for no more flow), pumps, valves.
"""

from __future__ import annotations

from typing import Final

from plantview.simulator.chiller import Chiller
from plantview.simulator.layout import TrainLayout
from plantview.simulator.machines import Machines
from plantview.simulator.outputs import Outputs
from plantview.simulator.panel import FAULT, INHIBIT, OFF, RUN, STARTING

IDLE, OPENING, PROVING, ON, UNLOADING, CLOSING, FAILED = (
    "idle", "opening", "proving", "on", "unloading", "closing", "failed",
)
WATER_AT_PCT: Final = 40.0
"""Pumps start when the isolation valves are this far open: no dead-heading, no starved neighbour."""
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
        self._in_state_s = 0.0
        self._proven_s = 0.0
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
            return all(valve.position_pct >= WATER_AT_PCT for valve in self._valves)
        return self.state in {PROVING, ON, UNLOADING}

    @property
    def wants_open(self) -> bool:
        """Return whether its isolation valves belong open."""
        return self.state in {OPENING, PROVING, ON, UNLOADING}

    @property
    def running(self) -> bool:
        """Return whether its compressor is at work or about to be."""
        return self.state == ON and self.chiller.panel.mode in {STARTING, RUN}

    def run_at_once(self) -> None:
        """Put a running train into a warm plant."""
        self.state, self.wanted, self._in_state_s = ON, True, LOCKOUT_S
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
        following = self._following()
        if following != self.state:
            self.state, self._in_state_s = following, 0.0
        self.chiller.enabled = self._outputs.drive(f"{self.id}.enable", float(self.state == ON)) > 0.5

    def _following(self) -> str:
        return {
            IDLE: self._while_idle, OPENING: self._while_proving, PROVING: self._while_proving, ON: self._while_on,
            UNLOADING: self._while_unloading, CLOSING: self._while_closing, FAILED: self._while_failed,
        }[self.state]()

    def _while_idle(self) -> str:
        return OPENING if self.wanted and self.chiller.panel.mode not in {FAULT, INHIBIT} else IDLE

    def _while_on(self) -> str:
        if self.chiller.panel.mode == FAULT:
            return FAILED
        return ON if self.wanted else UNLOADING

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
            opened = all(valve.position_pct >= OPEN_AT_PCT for valve in self._valves)
            return PROVING if opened and self.needs_water else OPENING
        if self._proven_s >= PROOF_HOLD_S and all(pump.running for pump in self._pumps):
            return ON
        return FAILED if self._in_state_s >= PROOF_TIMEOUT_S else PROVING
