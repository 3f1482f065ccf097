"""A chiller: power by published curves, barrels or an air-cooled coil, refrigerant, panel."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Final

from plantview.simulator import constants as c
from plantview.simulator.aircondenser import AirCondenser
from plantview.simulator.barrel import Tubes
from plantview.simulator.condition import DISCHARGE_LIFT, OIL_SUMP_K, Condition
from plantview.simulator.curves import Curves, believable_kw
from plantview.simulator.panel import STOPPING, FlowSwitch, Panel, Safeties
from plantview.simulator.recovery import Recovery
from plantview.simulator.refrigerant import saturation_pressure_kpa
from plantview.simulator.volume import Volume
from plantview.simulator.water import enthalpy_kj_kg, specific_heat


@dataclass(frozen=True, slots=True)
class Rating:
    """Nameplate of a chiller; flows in kg/s."""

    capacity_kw: float
    power_kw: float
    chws_c: float
    lift_k: float
    """Leaving condenser water minus leaving chilled water."""
    least_chw_flow: float
    least_cw_flow: float
    variable_speed: bool
    refrigerant: str
    least_lift_k: float = 0.0
    """Least leaving condenser water over leaving chilled water that the maker states; 0 where none is."""
    high_pressure_c: float = c.HIGH_PRESSURE_C
    """Condensing temperature at which the high pressure cut-out opens."""


MOST_FLOW_K: Final = 8.0
WINDING_RISE_K: Final = 55.0
"""Of a motor at its rated current, over the suction gas that cools it (common practice, no source)."""
WINDING_MOST_C: Final = 110.0
WINDING_LAG_S: Final = 420.0


def condenser_heat_kw(evaporator_kw: float, power_kw: float) -> float:
    """Return the heat that the condenser gives to its water."""
    return evaporator_kw + c.MOTOR_HEAT_TO_REFRIGERANT * power_kw


class Chiller:
    """One machine; the water circuits belong to the loops and pass through ``evaporator`` and ``condenser``."""

    def __init__(
        self,
        rating: Rating,
        curves: Curves,
        evaporator: tuple[Volume, Tubes],
        condenser: tuple[Volume | AirCondenser, Tubes],
        hours: float,
        recovery: Recovery | None = None,
    ) -> None:
        self.rating = rating
        self.curves = curves
        self.evaporator, self.evaporator_tubes = evaporator
        self.condenser, self.condenser_tubes = condenser
        self.recovery = recovery
        """A second condenser that gives its heat to hot water; None for most machines."""
        self.panel = Panel()
        self.chw_switch = FlowSwitch(rating.least_chw_flow)
        self.cw_switch = FlowSwitch(rating.least_cw_flow)
        self.condition = Condition()
        self.local = False
        """Somebody has taken the panel to LOCAL: it runs on and does not listen."""
        self.enabled = False
        self.setpoint_c = rating.chws_c
        self.demand_limit_pct = 100.0
        self.load_kw = 0.0
        self.power_kw = 0.0
        self.energy_kwh = hours * rating.power_kw * 0.6
        self.run_hours = hours
        self.outdoor_c = 25.0
        """Air around the condenser of an air-cooled machine."""
        self.evap_sat_c = self.evaporator.out_c
        self.cond_sat_c = self.condenser.out_c
        self.oil_c = 50.0
        self.winding_c = 40.0
        self._hunting_s = 0.0

    @property
    def part_load(self) -> float:
        """Return the load over the nameplate capacity."""
        return self.load_kw / self.rating.capacity_kw

    @property
    def current_pct(self) -> float:
        """Return the motor current in % of its rated load amperes."""
        ratio = self.power_kw / self.rating.power_kw
        if self.rating.variable_speed or ratio <= 0:
            return 100 * ratio
        # the magnetising current of an induction motor does not fall with its load
        return 100.0 * float(((0.93 * ratio) ** 2 + 0.37**2) ** 0.5)

    @property
    def speed_pct(self) -> float:
        """Return the compressor speed: the lift asks for a tip speed, the load for some more."""
        if not self.panel.compressor_on:
            return 0.0
        if not self.rating.variable_speed:
            return 100.0
        lift = max(self.cond_sat_c - self.evap_sat_c, 1.0) / self.rating.lift_k
        return float(min(max(97 * lift**0.5 * (0.8 + 0.2 * self.part_load), 45.0), 100.0))

    @property
    def vane_pct(self) -> float:
        """Return the inlet vane position."""
        if not self.panel.compressor_on:
            return 0.0
        return float(min(max(100 * self.part_load**1.3, 8.0), 100.0))

    def pressures_kpa(self) -> tuple[float, float]:
        """Return the absolute refrigerant pressures of evaporator and condenser."""
        name = self.rating.refrigerant
        return saturation_pressure_kpa(name, self.evap_sat_c), saturation_pressure_kpa(name, self.cond_sat_c)

    def step(self, dt_s: float) -> None:
        """Run panel, compressor and refrigerant for one step; sets the heat of both barrels."""
        self.chw_switch.sense(self.evaporator.flow)
        if isinstance(self.condenser, Volume):
            self.cw_switch.sense(self.condenser.flow)
        else:
            self.cw_switch.closed = True
        proven = self.chw_switch.closed and self.cw_switch.closed
        enabled = (self.panel.compressor_on or self.enabled) if self.local else self.enabled
        self.panel.step(dt_s, enabled, proven, self._safeties())
        self.evaporator_tubes.film = self.condition.evaporator_film
        self.condenser_tubes.film = self.condition.flooded
        if self.panel.compressor_on:
            self._compress(dt_s)
        else:
            self.load_kw = self.power_kw = 0.0
        self.evaporator.heat_kw = -self.load_kw
        rejected_kw = condenser_heat_kw(self.load_kw, self.power_kw)
        if self.recovery:
            rejected_kw -= self.recovery.take(rejected_kw, dt_s)
        self.condenser.heat_kw = rejected_kw
        if isinstance(self.condenser, AirCondenser):
            self.condenser.blow(self.outdoor_c, self.cond_sat_c, dt_s)
        self._settle_refrigerant(dt_s)
        self._warm_windings(dt_s)
        self.energy_kwh += self.power_kw * dt_s / 3_600
        if self.panel.compressor_on:
            self.run_hours += dt_s / 3_600

    def _compress(self, dt_s: float) -> None:
        chws_c, condenser_c = self._curve_temperatures()
        most = min(self.curves.available_kw(chws_c, condenser_c) * self.curves.plr[1], self.rating.capacity_kw * 1.15)
        most *= self.condition.capacity_share
        limit_kw = self.rating.power_kw * self.demand_limit_pct / 100
        if self.power_kw > limit_kw:
            most = min(most, self.load_kw * limit_kw / self.power_kw)
        wanted = 0.0 if self.panel.mode == STOPPING else min(max(self._wanted_kw(), 0.0), most)
        wanted *= self._hunt(dt_s)
        up = self.rating.capacity_kw * dt_s / c.LOAD_RAMP_S
        self.load_kw += min(max(wanted - self.load_kw, -3 * up), up)
        drawn = self.curves.power_kw(self.load_kw, chws_c, condenser_c) * self._lift_beyond(chws_c, condenser_c)
        if not isinstance(self.condenser, AirCondenser):
            drawn = believable_kw(drawn, self.load_kw, self.rating.capacity_kw)
        self.power_kw = drawn

    def _lift_beyond(self, chws_c: float, condenser_c: float) -> float:
        """Return the factor for hot water above the range of the curves: work grows with the lift (own choice)."""
        if self.recovery is None or self.recovery.heat_kw <= 0:
            return 1.0
        return max((self.recovery.water.out_c - chws_c) / max(condenser_c - chws_c, 5.0), 1.0)

    def _hunt(self, dt_s: float) -> float:
        """Return the factor by which the load swings while the machine lacks lift."""
        shortage = self._lift_shortage()
        if shortage <= 0:
            self._hunting_s = 0.0
            return 1.0
        self._hunting_s += dt_s
        swing = min(c.HUNTING_MOST, shortage)
        return 1 - swing * (0.5 - 0.5 * math.cos(2 * math.pi * self._hunting_s / c.HUNTING_PERIOD_S))

    def _lift_shortage(self) -> float:
        """Return how far the lift is below what the machine bears, as a share of that; 0 while it starts."""
        bearable = c.HUNTING_LIFT_SHARE * self.rating.least_lift_k
        if bearable <= 0 or not self.panel.warmed_up:
            return 0.0
        return max(1 - (self.condenser.out_c - self.evaporator.out_c) / bearable, 0.0)

    def _safeties(self) -> Safeties:
        head_over_k = self.cond_sat_c - self.rating.high_pressure_c
        return Safeties(
            self.evaporator.out_c, self.evap_sat_c, head_over_k, self._lift_shortage(), self.winding_c > WINDING_MOST_C
        )

    @property
    def liquid_c(self) -> float:
        """Return the liquid line: it follows the refrigerant, not the pressure of foreign gas."""
        if not self.panel.compressor_on:
            return self.cond_sat_c
        return self.cond_sat_c - self.condition.foreign_gas_k - self.condition.subcooling_k(self.part_load)

    @property
    def suction_c(self) -> float:
        """Return the suction gas."""
        return self.evap_sat_c + (self.condition.superheat_k(self.part_load) if self.panel.compressor_on else 0.0)

    @property
    def discharge_c(self) -> float:
        """Return the discharge gas."""
        if not self.panel.compressor_on:
            return self.cond_sat_c
        return self.suction_c + DISCHARGE_LIFT * max(self.cond_sat_c - self.evap_sat_c, 0.0) + 4.0

    def _wanted_kw(self) -> float:
        """Return the load that brings the leaving water to the setpoint."""
        water, setpoint = self.evaporator, enthalpy_kj_kg(self.setpoint_c)
        return (
            water.flow * (water.in_enthalpy - setpoint) + water.kg * (water.enthalpy - setpoint) / c.LEAVING_TEMP_GAIN_S
        )

    def _curve_temperatures(self) -> tuple[float, float]:
        """Return the water temperatures of clean tubes with the same saturation, inside the source's limits."""
        curves = self.curves
        chws = self.evaporator.out_c - self.evaporator_tubes.excess_k(self.load_kw, self._rate(self.evaporator))
        water_c = self.condenser.out_c if curves.leaving_condenser else self._entering_at_design_flow_c()
        water_c += self.condenser_tubes.excess_k(self.condenser.heat_kw, self._condenser_rate())
        if self.recovery and self.recovery.heat_kw > 0:
            water_c = max(water_c, self.recovery.water.out_c)
        water_c += self.condition.foreign_gas_k
        return (
            min(max(chws, curves.chws_c[0]), curves.chws_c[1]),
            min(max(water_c, curves.condenser_c[0]), curves.condenser_c[1]),
        )

    def _entering_at_design_flow_c(self) -> float:
        """Return the entering water that at design flow would leave as warm: curves on it know no other flow."""
        water = self.condenser
        if isinstance(water, AirCondenser):
            return water.in_c
        short = 1 - water.flow / water.design_flow
        return water.in_c + min(max(short * (water.out_c - water.in_c), -MOST_FLOW_K), MOST_FLOW_K)

    def _settle_refrigerant(self, dt_s: float) -> None:
        turning = self.panel.compressor_on
        lag = 1 - 2.718281828 ** (-dt_s / (c.SATURATION_LAG_S if turning else c.EQUALISE_LAG_S))
        evap_c, cond_c = self.evaporator.out_c, self.condenser.out_c
        if turning:
            evap_c -= self.evaporator_tubes.approach_k(self.load_kw, self._rate(self.evaporator))
            cond_c += self.condenser_tubes.approach_k(self.condenser.heat_kw, self._condenser_rate())
            if self.recovery and self.recovery.heat_kw > 0:
                cond_c = max(cond_c, self.recovery.saturation_c)
        cond_c += self.condition.foreign_gas_k  # also at rest: the off-cycle test of pressure against temperature
        self.evap_sat_c += (evap_c - self.evap_sat_c) * lag
        self.cond_sat_c += (cond_c - self.cond_sat_c) * lag
        # stopped: the heater holds the oil; running: the cooler holds it, a little warmer with load
        oil_c = 46.0 + 8.0 * self.part_load + OIL_SUMP_K * self.condition.oil_excess if turning else 58.0
        self.oil_c += (oil_c - self.oil_c) * dt_s / 900.0

    def _warm_windings(self, dt_s: float) -> None:
        """Let the motor follow the square of its current over the gas (or, at rest, the room) that cools it."""
        turning = self.panel.compressor_on
        aim_c = self.suction_c + WINDING_RISE_K * (self.current_pct / 100) ** 2 if turning else 35.0
        self.winding_c += (aim_c - self.winding_c) * min(dt_s / WINDING_LAG_S, 1.0)

    def _condenser_rate(self) -> float:
        water = self.condenser
        return water.flow if isinstance(water, AirCondenser) else self._rate(water)

    @staticmethod
    def _rate(water: Volume) -> float:
        return water.flow * specific_heat(water.out_c)
