"""A pump: quadratic curve through its design point, affinity laws, efficiency, motor and drive losses."""

from __future__ import annotations

from plantview.simulator.constants import (
    DRIVE_EFFICIENCY,
    DRIVE_STANDBY_SHARE,
    FLOW_STANDS_KG_S,
    MOTOR_EFFICIENCY,
    PUMP_RAMP_PCT_S,
    SHUTOFF_HEAD_RATIO,
    STATUS_AT_PCT,
)

EFFICIENCY_DROOP = 0.8
"""Relative efficiency = 1 - droop * (flow ratio - 1)^2, flow ratio at equal speed."""
EFFICIENCY_LEAST = 0.25
"""Share of the best efficiency that remains far off the curve."""
UNLOADED_SHARE = 0.12
"""Power of a fan motor whose belt is off."""
CHURN_SHARE = 0.35
"""Shaft power of a dead-headed pump, as a share of its design shaft power."""


class Drive:
    """A motor with a starter or a variable speed drive: follows a command at its ramp."""

    __slots__ = (
        "command",
        "energy_kwh",
        "hand_pct",
        "power_kw",
        "ramp_pct_s",
        "run_hours",
        "speed_command_pct",
        "speed_pct",
        "tripped",
    )

    def __init__(self, ramp_pct_s: float, run_hours: float) -> None:
        self.ramp_pct_s = ramp_pct_s
        self.command = False
        self.speed_command_pct = 100.0
        self.speed_pct = 0.0
        self.tripped = False
        self.hand_pct: float | None = None
        """Speed that the switch at the drive holds, 0 for OFF; None in AUTO."""
        self.power_kw = 0.0
        self.energy_kwh = run_hours * 10.0
        self.run_hours = run_hours

    @property
    def running(self) -> bool:
        """Return what the current switch says."""
        return self.speed_pct > STATUS_AT_PCT

    def turn(self, dt_s: float) -> None:
        """Move the speed towards the command; a tripped drive coasts down."""
        asked = (self.speed_command_pct if self.command else 0.0) if self.hand_pct is None else self.hand_pct
        goal = 0.0 if self.tripped else min(max(asked, 0.0), 100.0)
        reach = self.ramp_pct_s * dt_s
        self.speed_pct += min(max(goal - self.speed_pct, -reach), reach)

    def count(self, dt_s: float) -> None:
        """Add to the energy and hour counters."""
        self.energy_kwh += self.power_kw * dt_s / 3_600
        if self.running:
            self.run_hours += dt_s / 3_600


class Pump(Drive):
    """A centrifugal pump in one branch; flows in kg/s, heads in kPa."""

    __slots__ = (
        "curve_k",
        "design_flow",
        "design_head",
        "efficiency",
        "flow",
        "given_kj",
        "heat_kw",
        "shut_off_kpa",
        "variable",
        "wear",
    )

    def __init__(self, flow: float, head_kpa: float, efficiency: float, variable: bool, run_hours: float) -> None:
        super().__init__(PUMP_RAMP_PCT_S, run_hours)
        self.design_flow = flow
        self.design_head = head_kpa
        self.efficiency = efficiency
        self.variable = variable
        self.shut_off_kpa = SHUTOFF_HEAD_RATIO * head_kpa
        self.curve_k = (SHUTOFF_HEAD_RATIO - 1) * head_kpa / flow**2
        self.wear = 0.0
        """Share of the head that a worn impeller no longer gives."""
        self.flow = 0.0
        self.heat_kw = 0.0
        self.given_kj = 0.0
        """Heat that the water has taken along."""

    def head_kpa(self) -> float:
        """Return the head at no flow at the present speed (affinity: head ~ speed^2)."""
        return (1 - self.wear) * self.shut_off_kpa * (self.speed_pct / 100) ** 2

    def work(self, flow: float, density: float) -> None:
        """Take the flow through the pump and work out power; all shaft power ends in the water."""
        self.flow = flow
        speed = self.speed_pct / 100
        if speed <= 0.01:
            self.heat_kw = self.power_kw = 0.0
            return
        head = max(self.head_kpa() - self.curve_k * flow * flow, 0.0)
        ratio = flow / self.design_flow / speed
        relative = max(1 - EFFICIENCY_DROOP * (ratio - 1) ** 2, EFFICIENCY_LEAST)
        hydraulic_kw = flow / density * head / 1_000
        design_shaft_kw = self.design_flow * self.design_head / 1_000 / self.efficiency
        self.heat_kw = max(
            hydraulic_kw / (self.efficiency * relative * (1 - self.wear)), CHURN_SHARE * design_shaft_kw * speed**3
        )
        drive = DRIVE_EFFICIENCY if self.variable else 1.0
        self.power_kw = self.heat_kw / (MOTOR_EFFICIENCY * drive)
        if self.variable:
            self.power_kw += DRIVE_STANDBY_SHARE * design_shaft_kw

    def carry(self, flow: float, enthalpy: float, dt_s: float) -> float:
        """Warm the water that passes by the shaft power; return the enthalpy at which it leaves."""
        if flow < FLOW_STANDS_KG_S:
            return enthalpy
        self.given_kj += self.heat_kw * dt_s
        return enthalpy + self.heat_kw / flow


class Fan(Drive):
    """A tower fan; power ~ speed^3 over the losses of its drive."""

    __slots__ = ("design_power_kw", "min_speed_pct", "slip", "variable")

    def __init__(
        self, power_kw: float, min_speed_pct: float, ramp_pct_s: float, variable: bool, run_hours: float
    ) -> None:
        super().__init__(ramp_pct_s, run_hours)
        self.design_power_kw = power_kw
        self.min_speed_pct = min_speed_pct
        self.slip = 0.0
        """Share of its air that a slipping belt loses, 1 when it is off."""
        self.variable = variable

    @property
    def air_pct(self) -> float:
        """Return the speed of the blades."""
        return self.speed_pct * (1 - self.slip)

    def work(self) -> None:
        """Work out the power at the present speed."""
        speed = self.speed_pct / 100
        if speed <= 0.01:
            self.power_kw = 0.0
            return
        losses = DRIVE_STANDBY_SHARE * self.design_power_kw if self.variable else 0.0
        blades = speed * (1 - self.slip)
        idling = UNLOADED_SHARE * self.design_power_kw * speed if self.slip > 0 else 0.0
        self.power_kw = max(self.design_power_kw * blades**3 * (1 - DRIVE_STANDBY_SHARE), idling) + losses
