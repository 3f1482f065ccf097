"""The chiller's own panel: start sequence, safeties, anti-recycle timers."""

from __future__ import annotations

from plantview.simulator import constants as c

OFF = "OFF"
WAITING = "WAITING FOR FLOW"
STARTING = "STARTING"
RUN = "RUN"
STOPPING = "STOPPING"
INHIBIT = "RESTART INHIBIT"
FAULT = "FAULT"
MODES = (OFF, WAITING, STARTING, RUN, STOPPING, INHIBIT, FAULT)


class FlowSwitch:
    """Closes above a flow and opens below a lower one."""

    __slots__ = ("_break_flow", "_make_flow", "closed")

    def __init__(self, least_flow: float) -> None:
        self._make_flow = c.PROOF_MAKE_SHARE * least_flow
        self._break_flow = c.PROOF_BREAK_SHARE * least_flow
        self.closed = False

    def sense(self, flow: float) -> None:
        """Take the flow through the barrel."""
        self.closed = flow > (self._break_flow if self.closed else self._make_flow)


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

    def step(self, dt_s: float, enabled: bool, flows_proven: bool, chws_c: float) -> None:
        """Let the sequence move on."""
        self.in_mode_s += dt_s
        self.since_start_s += dt_s
        if self.mode not in {RUN, STOPPING}:
            self.since_stop_s += dt_s
        self._flow_lost_s = 0.0 if flows_proven else self._flow_lost_s + dt_s
        following = self._following(enabled, flows_proven, chws_c)
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
        if self._flow_lost_s >= c.FLOW_FILTER_S:
            self.fault_code = 1
            return FAULT
        if chws_c < c.FREEZE_TRIP_C:
            self.fault_code = 2
            return FAULT
        if not enabled:
            return STOPPING
        return RUN if self.mode == RUN or self.in_mode_s >= c.STARTING_S else STARTING

    def _enter(self, mode: str) -> None:
        if mode == STARTING:
            self.since_start_s = 0.0
            self.starts += 1
        if self.mode in {STARTING, RUN, STOPPING} and mode not in {STARTING, RUN, STOPPING}:
            self.since_stop_s = 0.0
        if self.mode == FAULT:
            self.fault_code = 0
        self.mode, self.in_mode_s = mode, 0.0
