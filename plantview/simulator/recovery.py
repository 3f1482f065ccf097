"""The recovery condenser of a chiller: takes as much of its heat as the hot water asks for.

The rest goes to the other condenser, whose own valve holds the head as high as the hot water needs;
that valve is not modelled (own choice).
"""

from __future__ import annotations

from plantview.simulator.barrel import Tubes
from plantview.simulator.constants import FLOW_STANDS_KG_S, LEAVING_TEMP_GAIN_S
from plantview.simulator.volume import Volume
from plantview.simulator.water import enthalpy_kj_kg, specific_heat

RAMP_S = 120.0
"""From no heat to all of it."""


class Recovery:
    """Its water is part of the hot loop; ``heat_kw`` is what the refrigerant gives to it."""

    def __init__(self, water: Volume, tubes: Tubes, setpoint_c: float) -> None:
        self.water = water
        self.tubes = tubes
        self.setpoint_c = setpoint_c

    @property
    def heat_kw(self) -> float:
        """Return what it takes now."""
        return self.water.heat_kw

    @property
    def saturation_c(self) -> float:
        """Return the condensing temperature that it needs."""
        rate = self.water.flow * specific_heat(self.water.out_c)
        return self.water.out_c + self.tubes.approach_k(self.heat_kw, rate)

    def take(self, rejected_kw: float, dt_s: float) -> float:
        """Take heat for the hot water, at most all that is rejected; return how much."""
        water, setpoint = self.water, enthalpy_kj_kg(self.setpoint_c)
        wanted = 0.0
        if water.flow > FLOW_STANDS_KG_S:
            wanted = water.flow * (setpoint - water.in_enthalpy)
            wanted += water.kg * (setpoint - water.enthalpy) / LEAVING_TEMP_GAIN_S
        reach = rejected_kw * dt_s / RAMP_S
        taken = min(max(wanted, water.heat_kw - 3 * reach), water.heat_kw + reach)
        water.heat_kw = min(max(taken, 0.0), rejected_kw)
        return water.heat_kw
