"""Water that is stored somewhere on its way: in a barrel, a coil, a header."""

from __future__ import annotations

from plantview.simulator.constants import BARREL_HOLD_S
from plantview.simulator.water import temp_c


class Volume:
    """A well-mixed barrel or coil; heat goes in at ``heat_kw``, water out at its own temperature."""

    __slots__ = ("design_flow", "enthalpy", "flow", "heat_kw", "in_enthalpy", "kg", "water_kj")

    def __init__(self, design_flow: float, enthalpy: float) -> None:
        self.design_flow = design_flow
        self.kg = design_flow * BARREL_HOLD_S
        self.enthalpy = enthalpy
        self.in_enthalpy = enthalpy
        self.flow = 0.0
        self.heat_kw = 0.0
        self.water_kj = 0.0
        """Heat that the water has carried away, counted where it goes in and out."""

    @property
    def in_c(self) -> float:
        """Return the entering temperature; the barrel's own while water stands."""
        return temp_c(self.in_enthalpy)

    @property
    def out_c(self) -> float:
        """Return the leaving temperature."""
        return temp_c(self.enthalpy)

    def carry(self, flow: float, enthalpy: float, dt_s: float) -> float:
        """Pass water through for a while; return the enthalpy at which it leaves."""
        leaving = self.enthalpy
        self.flow = flow
        self.in_enthalpy = enthalpy if flow > 0 else leaving
        carried_kj = flow * (leaving - self.in_enthalpy) * dt_s
        self.water_kj += carried_kj
        self.enthalpy += (self.heat_kw * dt_s - carried_kj) / self.kg
        return leaving


class Header:
    """The water of one header; the basin is one whose mass changes."""

    __slots__ = ("enthalpy", "inflow", "kg", "kj", "name", "pressure_kpa", "residual")

    def __init__(self, name: str, kg: float, enthalpy: float) -> None:
        self.name = name
        self.kg = kg
        self.enthalpy = enthalpy
        self.kj = 0.0
        """Energy that this step brings, gathered before it is mixed in."""
        self.inflow = 0.0
        self.residual = 0.0
        """Flows in minus flows out at the last step [kg/s]; not zero means that water was made."""
        self.pressure_kpa = 0.0

    @property
    def temp_c(self) -> float:
        """Return the temperature."""
        return temp_c(self.enthalpy)

    def mix(self) -> None:
        """Take in what the step brought."""
        self.enthalpy += self.kj / self.kg
        self.kj = 0.0
