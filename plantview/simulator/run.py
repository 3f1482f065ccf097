"""Water under way: a run of pipe or a tank, through which temperatures travel with the water.

What goes in comes out unmixed after the mass has passed (plug flow); a tank is a run of few, thick layers.
"""

from __future__ import annotations

from collections import deque

from plantview.simulator.constants import FLOW_STANDS_KG_S
from plantview.simulator.water import temp_c


class Run:
    """Parcels of water in order; each is a list of kg and kJ/kg."""

    __slots__ = ("_fresh_kg", "_parcels", "backward", "kg", "stored_kj")

    def __init__(self, kg: float, enthalpy: float, layers: int) -> None:
        self.kg = kg
        self.stored_kj = kg * enthalpy
        self.backward = False
        """Water passes from its end to its start."""
        self._parcels: deque[list[float]] = deque([[kg, enthalpy]])
        self._fresh_kg = kg / layers

    @property
    def temp_c(self) -> float:
        """Return the mean temperature."""
        return temp_c(self.stored_kj / self.kg)

    def carry(self, flow: float, enthalpy: float, dt_s: float) -> float:
        """Push water in at one end; return the enthalpy of what is pushed out at the other."""
        if flow < FLOW_STANDS_KG_S:
            return enthalpy  # what creeps through at rest is not told apart
        moved = flow * dt_s
        self._push(moved, enthalpy)
        left_kj = self._pull(moved)
        self.stored_kj += moved * enthalpy - left_kj
        return left_kj / moved

    def _push(self, moved: float, enthalpy: float) -> None:
        parcels = self._parcels
        first = parcels[-1] if self.backward else parcels[0]
        if first[0] + moved <= self._fresh_kg:
            first[1] = (first[0] * first[1] + moved * enthalpy) / (first[0] + moved)
            first[0] += moved
        elif self.backward:
            parcels.append([moved, enthalpy])
        else:
            parcels.appendleft([moved, enthalpy])

    def _pull(self, moved: float) -> float:
        parcels, left_kj = self._parcels, 0.0
        while moved > 1e-9:
            last = parcels[0] if self.backward else parcels[-1]
            taken = min(last[0], moved)
            left_kj += taken * last[1]
            moved -= taken
            last[0] -= taken
            if last[0] <= 1e-9 and len(parcels) > 1:
                if self.backward:
                    parcels.popleft()
                else:
                    parcels.pop()
        return left_kj
