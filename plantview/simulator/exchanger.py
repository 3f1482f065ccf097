"""A water-to-water plate exchanger: effectiveness and transfer units in counterflow."""

from __future__ import annotations

import math
from typing import Final

from plantview.simulator.constants import FLOW_STANDS_KG_S
from plantview.simulator.volume import Volume
from plantview.simulator.water import specific_heat, temp_c

WATER_EXPONENT: Final = 0.7
"""Film coefficients of corrugated plates grow so with flow (common practice, no source)."""


def counterflow(units: float, ratio: float) -> float:
    """Return the effectiveness of a counterflow exchanger (Kays and London)."""
    if ratio > 0.999:
        return units / (1 + units)
    falling = math.exp(-units * (1 - ratio))
    return (1 - falling) / (1 - ratio * falling)


def counterflow_units(effectiveness: float, ratio: float) -> float:
    """Return the transfer units that give an effectiveness; the inverse of ``counterflow``."""
    if ratio > 0.999:
        return effectiveness / (1 - effectiveness)
    return math.log((1 - effectiveness * ratio) / (1 - effectiveness)) / (1 - ratio)


class Exchanger:
    """Two volumes with plates between them; what leaves the warm side enters the cool side."""

    def __init__(self, heat_kw: float, approach_k: float, warm: Volume, cool: Volume) -> None:
        self.warm = warm
        self.cool = cool
        self.fouling = 0.0
        """Share of the heat transfer that is lost."""
        self.heat_kw = 0.0
        self._design_warm, self._design_cool = warm.design_flow, cool.design_flow
        rates = [water.design_flow * specific_heat(water.out_c) for water in (warm, cool)]
        least, most = min(rates), max(rates)
        drive = approach_k + heat_kw / rates[0]
        self._ua_kw_k = least * counterflow_units(heat_kw / (least * drive), least / most)

    def step(self) -> None:
        """Work out the heat that passes the plates; without flow on both sides there is none."""
        warm, cool = self.warm, self.cool
        self.heat_kw = 0.0
        if warm.flow > FLOW_STANDS_KG_S and cool.flow > FLOW_STANDS_KG_S:
            rates = [water.flow * specific_heat(water.out_c) for water in (warm, cool)]
            least, most = min(rates), max(rates)
            effectiveness = counterflow(self._transfer() / least, least / most)
            self.heat_kw = effectiveness * least * (temp_c(warm.in_enthalpy) - temp_c(cool.in_enthalpy))
        warm.heat_kw, cool.heat_kw = -self.heat_kw, self.heat_kw

    def _transfer(self) -> float:
        warm = 0.5 * (self._design_warm / self.warm.flow) ** WATER_EXPONENT
        cool = 0.5 * (self._design_cool / self.cool.flow) ** WATER_EXPONENT
        return float(self._ua_kw_k * (1 - self.fouling) / (warm + cool))
