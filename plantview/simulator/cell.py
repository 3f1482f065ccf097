"""A tower cell in its branch: isolation valve, fill, fans."""

from __future__ import annotations

from plantview.simulator.constants import FLOW_STANDS_KG_S
from plantview.simulator.pump import Fan
from plantview.simulator.tower import Cooling
from plantview.simulator.valve import Valve
from plantview.simulator.water import enthalpy_kj_kg, temp_c


class Cell:
    """Water that passes through leaves at what the correlation says."""

    __slots__ = (
        "cooling",
        "entering_c",
        "fans",
        "flow",
        "isolation",
        "least_flow",
        "leaving_c",
        "lost_kj",
        "range_k",
        "scaled",
        "wet_bulb_c",
    )

    def __init__(self, cooling: Cooling, isolation: Valve, fans: list[Fan], least_flow: float) -> None:
        self.cooling = cooling
        self.isolation = isolation
        self.fans = fans
        self.least_flow = least_flow
        self.wet_bulb_c = 20.0
        self.flow = 0.0
        self.entering_c = self.leaving_c = 25.0
        self.range_k = 0.0
        self.scaled = 0.0
        """Share of the cooling that scaled fill or blocked nozzles take."""
        self.lost_kj = 0.0
        """Heat that the water has given to the air, counted where it goes in and out."""

    @property
    def air_ratio(self) -> float:
        """Return the air flow over its design: fans of one cell share its fill."""
        return sum(fan.air_pct for fan in self.fans) / 100 / max(len(self.fans), 1)

    def carry(self, flow: float, enthalpy: float, dt_s: float) -> float:
        """Cool the water that passes; return the enthalpy at which it falls into the basin."""
        self.flow = flow
        if flow < FLOW_STANDS_KG_S:
            self.range_k = 0.0
            return enthalpy
        self.entering_c = temp_c(enthalpy)
        self.leaving_c = self.cooling.leaving_c(self.entering_c, self.wet_bulb_c, flow, self.air_ratio)
        self.leaving_c += self.scaled * (self.entering_c - self.leaving_c)
        self.range_k = self.entering_c - self.leaving_c
        leaving = enthalpy_kj_kg(self.leaving_c) if self.range_k > 0 else enthalpy
        self.lost_kj += flow * (enthalpy - leaving) * dt_s
        return leaving
