"""Runs the pumps: how many of a header, which, and how fast."""

from __future__ import annotations

from typing import Final

from plantview.simulator.layout import PumpGroup
from plantview.simulator.machines import Machines
from plantview.simulator.outputs import Outputs
from plantview.simulator.pi import PiLoop
from plantview.simulator.staging import ROTATE_S

PROOF_S: Final = 20.0
LOCKOUT_S: Final = 1_800.0
FLOW_UP_SHARE: Final = 0.03
"""A pump more when flow / design flow of the group exceeds n/N less this share (ASHRAE Guideline 36 form)."""
FLOW_DOWN_SHARE: Final = 0.10
STAGE_S: Final = 600.0
SPEED_LEAST_PCT: Final = 30.0
SOFT_START_PCT_S: Final = 1.0
SOFT_JOIN_PCT_S: Final = 0.15
SOFT_JOIN_SHARE: Final = 0.75
"""A pump that joins others comes up slowly from this share of their speed, so that the pressure loop can follow."""


class Header:
    """Lead, lag and standby of one group: the fewest hours lead, a pump that does not prove is replaced."""

    def __init__(self, group: PumpGroup, machines: Machines, outputs: Outputs) -> None:
        self.group = group
        self._pumps = {name: machines.pumps[name] for name in group.pumps}
        self._outputs = outputs
        self._chosen: list[str] = []
        self._unproven_s = dict.fromkeys(group.pumps, 0.0)
        self._locked_s = dict.fromkeys(group.pumps, 0.0)
        self.without_stop_s = dict.fromkeys(group.pumps, 0.0)
        """How long each has turned without a stop."""
        self._giving_way = ""
        self._waited_s = 0.0
        self._soft_pct = dict.fromkeys(group.pumps, 0.0)
        self.count = 0

    def run_at_once(self, count: int, speed_pct: float) -> None:
        """Put running pumps into a warm plant."""
        self.count = count
        self._chosen = list(self.group.pumps[:count])
        for name in self._chosen:
            self._pumps[name].speed_pct = self._soft_pct[name] = speed_pct

    def stage_by_flow(self, dt_s: float, wanted: bool) -> None:
        """Set the count from the flow that the buildings take."""
        if not wanted or self.count == 0:
            self.count = int(wanted)
            return
        total = len(self._pumps)
        ratio = sum(pump.flow for pump in self._pumps.values()) / sum(pump.design_flow for pump in self._pumps.values())
        up = ratio > self.count / total - FLOW_UP_SHARE and self.count < total
        down = self.count > 1 and ratio < (self.count - 1) / total - FLOW_DOWN_SHARE
        self._waited_s = self._waited_s + dt_s if up or down else 0.0
        if self._waited_s >= STAGE_S:
            self.count += 1 if up else -1
            self._waited_s = 0.0

    def step(self, dt_s: float, speed_pct: float) -> None:
        """Choose the pumps and drive them."""
        self._judge(dt_s)
        self._rotate(dt_s)
        self._choose()
        self._soften(dt_s, speed_pct)
        for name, pump in self._pumps.items():
            pump.command = self._outputs.drive(f"{name}.command", float(name in self._chosen)) > 0.5
            own_pct = min(speed_pct, self._soft_pct[name])
            pump.speed_command_pct = self._outputs.drive(f"{name}.speed_command", own_pct) if pump.variable else 100.0

    def _soften(self, dt_s: float, speed_pct: float) -> None:
        """Bring a pump up slowly beside others that hold a pressure; a lone one, or a failed one's stand-in, at once."""
        gentle = self.group.serves_coils and not any(self._locked_s.values())
        turning = any(self._pumps[name].running for name in self._chosen)
        for name in self._pumps:
            if name not in self._chosen:
                self._soft_pct[name] = SPEED_LEAST_PCT
            elif gentle and turning:
                joining = SOFT_JOIN_SHARE * speed_pct < self._soft_pct[name] < speed_pct
                reach = (SOFT_JOIN_PCT_S if joining else SOFT_START_PCT_S) * dt_s
                self._soft_pct[name] = min(self._soft_pct[name] + reach, 100.0)
            else:
                self._soft_pct[name] = max(self._soft_pct[name], speed_pct)

    def _judge(self, dt_s: float) -> None:
        for name in self._pumps:
            self._locked_s[name] = max(self._locked_s[name] - dt_s, 0.0)
            unproven = name in self._chosen and not self._pumps[name].running
            self._unproven_s[name] = self._unproven_s[name] + dt_s if unproven else 0.0
            if self._unproven_s[name] > PROOF_S:
                self._locked_s[name] = LOCKOUT_S

    def _rotate(self, dt_s: float) -> None:
        """Let a pump that ran for a week give way to one with fewer hours, which turns before it stops."""
        for name, pump in self._pumps.items():
            self.without_stop_s[name] = self.without_stop_s[name] + dt_s if pump.running else 0.0
        if self._giving_way:
            others = [name for name in self._chosen if name != self._giving_way]
            if self._giving_way not in self._chosen or sum(self._pumps[name].running for name in others) >= self.count:
                self._chosen, self._giving_way = others, ""
            return
        free = [name for name in self._pumps if name not in self._chosen and self._locked_s[name] <= 0]
        due = [name for name in self._chosen if self.without_stop_s[name] >= ROTATE_S]
        if free and due:
            worn = max(due, key=lambda name: self._pumps[name].run_hours)
            if min(self._pumps[name].run_hours for name in free) < self._pumps[worn].run_hours:
                self._giving_way = worn

    def _choose(self) -> None:
        self._chosen = [name for name in self._chosen if self._locked_s[name] <= 0]
        count = self.count + bool(self._giving_way)
        while len(self._chosen) > count:
            self._chosen.remove(max(self._chosen, key=lambda name: self._pumps[name].run_hours))
        free = [name for name in self._pumps if name not in self._chosen and self._locked_s[name] <= 0]
        free.sort(key=lambda name: self._pumps[name].run_hours)
        self._chosen += free[: max(count - len(self._chosen), 0)]


def pressure_loop() -> PiLoop:
    """Return the loop that holds a pressure difference by pump speed [% per kPa]."""
    return PiLoop(0.05, 8.0, (SPEED_LEAST_PCT, 100.0), 75.0)


def flow_loop() -> PiLoop:
    """Return the loop that holds the condenser flow by pump speed [% per share of design flow]."""
    return PiLoop(15.0, 25.0, (SPEED_LEAST_PCT, 100.0), 90.0)
