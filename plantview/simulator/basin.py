"""The water balance of a tower basin: evaporation, drift, blow-down, make-up, dissolved salts."""

from __future__ import annotations

from plantview.simulator import constants as c
from plantview.simulator.volume import Header
from plantview.simulator.water import density_kg_l, enthalpy_kj_kg

FLOAT_BAND_M = 0.05
"""The make-up valve opens fully when the level is this far below its setpoint."""
LOW_LEVEL_SHARE = 0.6
MAKEUP_SHARE = 0.04
"""Full make-up as a share of the design flow of the loop."""
BLOWDOWN_SHARE = 0.008
CONDUCTIVITY_BAND = 0.03
LOSS_KW_M2_K = 0.012
"""Heat that standing water gives to the air (common practice, no source)."""
HEATER_KW_M2 = 0.4
HEATER_C = (4.5, 5.5)
"""The heater's thermostat; it guards standing water only."""
ICE_C = 1.0
FROZEN_C = 0.2
"""Blow-down opens at the setpoint plus this share and shuts at minus it."""


class Basin:
    """Level, make-up and conductivity of one open header."""

    def __init__(self, water: Header, level_m: float, design_flow: float) -> None:
        self.water = water
        self.level_setpoint_m = level_m
        self._area_m2 = water.kg / (density_kg_l(water.temp_c) * 1_000) / level_m
        self._design_flow = design_flow
        self.makeup_kg_s = 0.0
        self.lost_kg_s = 0.0
        self.net_kj = 0.0
        """Energy that make-up has brought less what losses have taken, since the ledger began."""
        self.makeup_shut = False
        self.blowdown_stuck = False
        self.heater_on = False
        self.heater_broken = False
        self._blowing_down = False
        self._conductivity_setpoint = c.CYCLES * c.MAKEUP_CONDUCTIVITY_US_CM
        self._salt = self._conductivity_setpoint * water.kg

    @property
    def level_m(self) -> float:
        """Return the water level."""
        return self.water.kg / (density_kg_l(self.water.temp_c) * 1_000) / self._area_m2

    @property
    def low(self) -> bool:
        """Return whether the low level switch has closed."""
        return self.level_m < LOW_LEVEL_SHARE * self.level_setpoint_m

    @property
    def freezing(self) -> bool:
        """Return whether ice is about to form."""
        return self.water.temp_c < ICE_C

    @property
    def conductivity_us_cm(self) -> float:
        """Return the conductivity of the basin water."""
        return self._salt / self.water.kg

    def step(self, tower_flow: float, flow_times_range: float, air_c: float, dt_s: float) -> None:
        """Lose and make up water; ``flow_times_range`` sums flow * range over the cells [kg K/s]."""
        conductivity = self.conductivity_us_cm
        band = CONDUCTIVITY_BAND * self._conductivity_setpoint
        if conductivity > self._conductivity_setpoint + band:
            self._blowing_down = True
        elif conductivity < self._conductivity_setpoint - band:
            self._blowing_down = False
        self._blowing_down = self._blowing_down or self.blowdown_stuck
        evaporated = c.EVAPORATION_PER_K * flow_times_range
        drained = c.DRIFT_SHARE * tower_flow + (BLOWDOWN_SHARE * self._design_flow if self._blowing_down else 0.0)
        short = (self.level_setpoint_m - self.level_m) / FLOAT_BAND_M
        self.makeup_kg_s = 0.0 if self.makeup_shut else min(max(short, 0.0), 1.0) * MAKEUP_SHARE * self._design_flow
        self.lost_kg_s = evaporated + drained
        self._salt += (self.makeup_kg_s * c.MAKEUP_CONDUCTIVITY_US_CM - drained * conductivity) * dt_s
        made_up, lost = self.makeup_kg_s * dt_s, self.lost_kg_s * dt_s
        water = self.water
        before_kj = water.kg * water.enthalpy
        brought_kj = made_up * enthalpy_kj_kg(c.MAKEUP_TEMP_C) - lost * water.enthalpy
        if tower_flow < c.FLOW_STANDS_KG_S:
            brought_kj += self._standing_kw(air_c) * dt_s
        else:
            self.heater_on = False
        water.kg += made_up - lost
        water.enthalpy = (before_kj + brought_kj) / water.kg
        self.net_kj += brought_kj

    def _standing_kw(self, air_c: float) -> float:
        """Return what the heater gives less what the air takes while no water falls."""
        temp_c = self.water.temp_c
        if self.heater_broken or temp_c > HEATER_C[1]:
            self.heater_on = False
        elif temp_c < HEATER_C[0]:
            self.heater_on = True
        heater_kw = HEATER_KW_M2 * self._area_m2 if self.heater_on else 0.0
        liquid = temp_c > FROZEN_C  # from there on ice forms, and the water under it cools no further
        return heater_kw - (LOSS_KW_M2_K * self._area_m2 * max(temp_c - air_c, 0.0) if liquid else 0.0)
