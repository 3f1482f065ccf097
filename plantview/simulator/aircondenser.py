"""The condenser of an air-cooled chiller: outdoor air over its coil, its fans staged on the head.

Rise of the air at design and the least head that the fans hold: common practice, no source.
"""

from __future__ import annotations

from typing import Final

AIR_RISE_K: Final = 9.0
LEAST_HEAD_C: Final = 30.0
"""Fans slow down in cold weather so that the condensing temperature does not fall below this."""
LEAST_AIR_SHARE: Final = 0.15
FAN_BAND_K: Final = 3.0
FAN_LAG_S: Final = 30.0


class AirCondenser:
    """Stands where a water-cooled machine has its barrel; ``flow`` is its air as a capacity rate in kW/K."""

    __slots__ = ("air_kj", "design_flow", "flow", "heat_kw", "in_c")

    def __init__(self, heat_kw: float) -> None:
        self.design_flow = heat_kw / AIR_RISE_K
        self.flow = self.design_flow
        self.in_c = 30.0
        self.heat_kw = 0.0
        self.air_kj = 0.0
        """Heat that the air has carried away."""

    @property
    def out_c(self) -> float:
        """Return the air that leaves the coil."""
        return self.in_c + self.heat_kw / self.flow

    def blow(self, outdoor_c: float, head_c: float, dt_s: float) -> None:
        """Take outdoor air; the fans follow the condensing temperature."""
        self.in_c = outdoor_c
        share = min(max((head_c - LEAST_HEAD_C) / FAN_BAND_K, LEAST_AIR_SHARE), 1.0)
        self.flow += (share * self.design_flow - self.flow) * min(dt_s / FAN_LAG_S, 1.0)
        self.air_kj += self.flow * (self.out_c - self.in_c) * dt_s
