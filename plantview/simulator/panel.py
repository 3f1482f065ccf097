"""The chiller's own panel: start sequence, safeties, anti-recycle timers."""

from __future__ import annotations

from dataclasses import dataclass

from plantview.simulator import constants as c

OFF = "OFF"
WAITING = "WAITING FOR FLOW"
STARTING = "STARTING"
RUN = "RUN"
STOPPING = "STOPPING"
INHIBIT = "RESTART INHIBIT"
FAULT = "FAULT"
NO_FLOW, FREEZING, HIGH_PRESSURE, LOW_PRESSURE, LOW_LIFT, TRIPPED, HOT_WINDINGS = 1, 2, 3, 4, 5, 6, 7
"""Fault codes of this panel."""
CUT_OUT_S = {HIGH_PRESSURE: 3.0, LOW_PRESSURE: 60.0, LOW_LIFT: 180.0, HOT_WINDINGS: 10.0}
"""How long a limit must be passed before it trips."""
MODES = (OFF, WAITING, STARTING, RUN, STOPPING, INHIBIT, FAULT)


@dataclass(frozen=True, slots=True)
class Safeties:
    """What the panel's cut-outs look at."""

    chws_c: float
    evap_sat_c: float = 4.0
    head_over_k: float = -13.0
    """Condensing temperature over that of the high pressure cut-out."""
    lift_shortage: float = 0.0
    """Lift that is missing, 0 to 1."""
    hot_windings: bool = False


class FlowSwitch:
    """Closes above a flow and opens below a lower one."""

    __slots__ = ("_break_flow", "_make_flow", "closed", "held")

    def __init__(self, least_flow: float) -> None:
        self._make_flow = c.PROOF_MAKE_SHARE * least_flow
        self._break_flow = c.PROOF_BREAK_SHARE * least_flow
        self.closed = False
        self.held: bool | None = None
        """Stuck open (False) or closed (True); None for a switch that works."""

    @property
    def make_flow(self) -> float:
        """Return the flow at which it closes."""
        return self._make_flow

    def sense(self, flow: float) -> None:
        """Take the flow through the barrel."""
        self.closed = flow > (self._break_flow if self.closed else self._make_flow) if self.held is None else self.held


class Panel:
    """OFF -> WAITING FOR FLOW -> STARTING -> RUN -> STOPPING -> RESTART INHIBIT, and FAULT from any of them."""

    def __init__(self) -> None:
        self.mode = OFF
        self.in_mode_s = 0.0
        self.since_start_s = c.START_TO_START_S
        self.since_stop_s = c.STOP_TO_START_S
        self.starts = 0
        self.fault_code = 0
        self._flow_lost_s = 0.0
        self._cut_out_s = 0.0
        self._cut_out = 0
        self.tripped = 0
        """Fault code of a trip from outside the panel's own cut-outs; 0 for none."""

    @property
    def restart_left_s(self) -> float:
        """Return how long the anti-recycle timers still hold a start back."""
        if self.mode in {STARTING, RUN, STOPPING}:
            return 0.0
        return max(c.START_TO_START_S - self.since_start_s, c.STOP_TO_START_S - self.since_stop_s, 0.0)

    @property
    def compressor_on(self) -> bool:
        """Return whether the compressor turns."""
        return self.mode == RUN or (self.mode == STOPPING and self.in_mode_s < c.STOPPING_S / 2)

    def run_at_once(self, running_for_s: float) -> None:
        """Put a machine that has been running for a while into a warm plant."""
        self.mode, self.in_mode_s, self.since_start_s = RUN, running_for_s, running_for_s

    @property
    def warmed_up(self) -> bool:
        """Return whether it has run long enough for its condenser to be warm."""
        return self.mode == RUN and self.in_mode_s >= c.WARM_UP_S

    def step(self, dt_s: float, enabled: bool, flows_proven: bool, safeties: Safeties) -> None:
        """Let the sequence move on."""
        self.in_mode_s += dt_s
        self.since_start_s += dt_s
        if self.mode not in {RUN, STOPPING}:
            self.since_stop_s += dt_s
        self._flow_lost_s = 0.0 if flows_proven else self._flow_lost_s + dt_s
        self._cut_out_s = self._cut_out_s + dt_s if self._beyond_limits(safeties) else 0.0
        following = self._following(enabled, flows_proven, safeties.chws_c)
        if following != self.mode:
            self._enter(following)

    def _following(self, enabled: bool, proven: bool, chws_c: float) -> str:
        if self.mode in {STARTING, RUN}:
            return self._while_turning(enabled, chws_c)
        if self.mode == STOPPING:
            return INHIBIT if self.in_mode_s >= c.STOPPING_S else STOPPING
        if self.mode == FAULT:
            reset = self.in_mode_s >= c.FAULT_RESET_S and not enabled
            return (INHIBIT if self.restart_left_s > 0 else OFF) if reset else FAULT
        if self.restart_left_s > 0:
            return INHIBIT
        if not enabled:
            return OFF
        filtered = self.mode == WAITING and proven and self.in_mode_s >= c.FLOW_FILTER_S
        return STARTING if filtered else WAITING

    def _while_turning(self, enabled: bool, chws_c: float) -> str:
        self.fault_code = self._tripping(chws_c)
        if self.fault_code:
            return FAULT
        if not enabled:
            return STOPPING
        return RUN if self.mode == RUN or self.in_mode_s >= c.STARTING_S else STARTING

    def _tripping(self, chws_c: float) -> int:
        if self._flow_lost_s >= c.FLOW_FILTER_S:
            return NO_FLOW
        if chws_c < c.FREEZE_TRIP_C:
            return FREEZING
        return self._cut_out if self._cut_out and self._cut_out_s >= CUT_OUT_S[self._cut_out] else self.tripped

    def _beyond_limits(self, safeties: Safeties) -> bool:
        """Note which pressure cut-out counts; none while the machine starts."""
        self._cut_out = 0
        if safeties.head_over_k > 0:
            self._cut_out = HIGH_PRESSURE
        elif self.warmed_up and safeties.evap_sat_c < c.LOW_PRESSURE_C:
            self._cut_out = LOW_PRESSURE
        elif safeties.lift_shortage > c.LIFT_TRIP_SHORTAGE:
            self._cut_out = LOW_LIFT
        elif safeties.hot_windings:
            self._cut_out = HOT_WINDINGS
        return self._cut_out > 0

    def _enter(self, mode: str) -> None:
        if mode == STARTING:
            self.since_start_s = 0.0
            self.starts += 1
        if self.mode in {STARTING, RUN, STOPPING} and mode not in {STARTING, RUN, STOPPING}:
            self.since_stop_s = 0.0
        if self.mode == FAULT:
            self.fault_code = 0
        self.mode, self.in_mode_s = mode, 0.0
