"""A three-way valve at a coil: its branch always takes the same flow, and the valve sends a share of it past the coil."""

from __future__ import annotations

from plantview.simulator.valve import Valve
from plantview.simulator.volume import Volume


class Diverting:
    """A coil's water and the way around it; they mix again behind the valve."""

    __slots__ = ("valve", "water")

    def __init__(self, water: Volume, valve: Valve) -> None:
        self.water = water
        self.valve = valve
        valve.three_way = True

    def carry(self, flow: float, enthalpy: float, dt_s: float) -> float:
        """Pass water through and around the coil; return the enthalpy behind the valve."""
        through = flow * self.valve.share()
        leaving = self.water.carry(through, enthalpy, dt_s)
        return enthalpy + (leaving - enthalpy) * through / flow if flow > 0 else enthalpy
