"""Heat between the water of a barrel and the refrigerant around its tubes."""

from __future__ import annotations

import math

LEAST_RATE_KW_K = 1.0
WATER_SHARE = 0.5
"""Of the resistance at design flow, this share is on the water side and grows as flow^-0.8 falls."""


class Tubes:
    """UA of one barrel, from its design approach; ``fouling`` is the share of UA that is lost."""

    __slots__ = ("_design_rate", "_ua_kw_k", "film", "fouling")

    def __init__(self, heat_kw: float, rate_kw_k: float, approach_k: float) -> None:
        effectiveness = 1 / (1 + approach_k * rate_kw_k / heat_kw)
        self._ua_kw_k = -rate_kw_k * math.log(1 - effectiveness)
        self._design_rate = rate_kw_k
        self.fouling = 0.0
        self.film = 1.0
        """Factor on the approach from the refrigerant side."""

    def approach_k(self, heat_kw: float, rate_kw_k: float) -> float:
        """Return |saturation - leaving water| at a heat flow and a water capacity rate."""
        return self.film * self._approach(heat_kw, rate_kw_k, self.fouling)

    def excess_k(self, heat_kw: float, rate_kw_k: float) -> float:
        """Return how much the approach differs from that of clean tubes with the right film."""
        if self.fouling <= 0 and self.film == 1.0:
            return 0.0
        return self.approach_k(heat_kw, rate_kw_k) - self._approach(heat_kw, rate_kw_k, 0.0)

    def _approach(self, heat_kw: float, rate_kw_k: float, fouling: float) -> float:
        rate = max(rate_kw_k, LEAST_RATE_KW_K)
        resistance = 1 - WATER_SHARE + WATER_SHARE * (self._design_rate / rate) ** 0.8
        units = self._ua_kw_k * (1 - fouling) / resistance / rate
        return float(heat_kw / rate / math.expm1(min(units, 50.0)))
