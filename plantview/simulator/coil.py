"""A coil: effectiveness and transfer units between its water and its air.

The air side is one capacity rate that includes the latent share, so that one number carries
the total cooling. Fans follow the building: air flow is what carries its load at the present
leaving air temperature, up to the fan's limit. A heating coil is the same with its heat and its
air the other way round.
"""

from __future__ import annotations

import math

from plantview.simulator.exchanger import counterflow
from plantview.simulator.volume import Volume
from plantview.simulator.water import specific_heat, temp_c

AIR_RESISTANCE_SHARE = 0.6
"""Of the resistance to heat at design, this share is on the air side."""
AIR_EXPONENT = 0.85
WATER_EXPONENT = 1.0
"""Steeper than clean film coefficients (0.6 and 0.8): at part load a coil's face is wetted and fed unevenly."""
COOLER_AIR_K = 3.0
"""Mixed air is this much cooler at no load than at design."""
AIR_RATE_MOST = 1.25
AIR_RATE_LEAST = 0.08
AIR_LAG_S = 90.0


class Coil:
    """One coil; water passes through ``water``."""

    def __init__(
        self, cooling_kw: float, flow: float, water_in_c: float, air_c: tuple[float, float], water: Volume
    ) -> None:
        self.water = water
        self.design_kw = cooling_kw
        self._design_air_c, self.air_setpoint_c = air_c
        self.entering_air_c = self._design_air_c
        self.leaving_air_c = self.air_setpoint_c
        self.fouling = 0.0
        """Share of the heat transfer that is lost."""
        self.load_kw = 0.0
        """What the building asks for."""
        self.air_kj = 0.0
        """Heat that the air has given."""
        self._design_flow = flow
        self._design_air_rate = cooling_kw / (air_c[0] - air_c[1])
        self.heats = cooling_kw < 0
        """Its water is warmer than its air; heat and load count negative."""
        self._air_rate = 0.5 * self._design_air_rate
        water_out_c = water_in_c + cooling_kw / (flow * specific_heat(water_in_c))
        warm_end, cold_end = air_c[0] - water_out_c, air_c[1] - water_in_c
        mean = warm_end if abs(warm_end - cold_end) < 0.01 else (warm_end - cold_end) / math.log(warm_end / cold_end)
        self._ua = cooling_kw / mean

    def step(self, dt_s: float) -> None:
        """Work out the heat that the air gives to the water."""
        self._follow_building(dt_s)
        water = self.water
        if water.flow <= 0.01:
            water.heat_kw = 0.0
            self.leaving_air_c += (self.entering_air_c - self.leaving_air_c) * dt_s / AIR_LAG_S
            return
        water_rate = water.flow * specific_heat(water.out_c)
        entering_c = temp_c(water.in_enthalpy)
        least, most = min(water_rate, self._air_rate), max(water_rate, self._air_rate)
        effectiveness = counterflow(self._transfer(water.flow) / least, least / most)
        water.heat_kw = effectiveness * least * (self.entering_air_c - entering_c)
        self.air_kj += water.heat_kw * dt_s
        self.leaving_air_c = self.entering_air_c - water.heat_kw / self._air_rate

    def _follow_building(self, dt_s: float) -> None:
        share = min(self.load_kw / self.design_kw, 1.0)
        self.entering_air_c = self._design_air_c - COOLER_AIR_K * (1 - share)
        drop = max(abs(self.entering_air_c - self.leaving_air_c), 2.0)
        wanted = min(
            max(abs(self.load_kw) / drop, AIR_RATE_LEAST * self._design_air_rate), AIR_RATE_MOST * self._design_air_rate
        )
        self._air_rate += (wanted - self._air_rate) * min(dt_s / AIR_LAG_S, 1.0)

    def _transfer(self, flow: float) -> float:
        air = AIR_RESISTANCE_SHARE * (self._design_air_rate / self._air_rate) ** AIR_EXPONENT
        water = (1 - AIR_RESISTANCE_SHARE) * (self._design_flow / flow) ** WATER_EXPONENT
        return float(self._ua * (1 - self.fouling) / (air + water))
