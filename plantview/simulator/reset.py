"""Resets the supply temperature and the pressure difference by what the coils ask for.

Trim and respond on the most open coil valve, in the form of ASHRAE Guideline 36-2021 5.20.5.2 as
documented with its public Modelica implementation; here first the pressure falls, then the
temperature rises, and back the other way round.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Final

EVERY_S: Final = 300.0
HUNGRY_PCT: Final = 92.0
CONTENT_PCT: Final = 82.0
TRIM: Final = 0.04
RESPOND: Final = 0.10
PRESSURE_PART: Final = 0.5
"""The first half of the reset moves the pressure, the second the temperature."""
LEAST_PRESSURE_SHARE: Final = 0.55
WARMER_K: Final = 2.0


class Reset:
    """One number from 0 (design) to 1 (coils need least)."""

    def __init__(self) -> None:
        self.position = 0.0
        self._waited_s = 0.0

    def step(self, dt_s: float, openings_pct: Sequence[float]) -> None:
        """Move by what the most open valve says."""
        self._waited_s += dt_s
        if self._waited_s < EVERY_S or not openings_pct:
            return
        self._waited_s = 0.0
        most = max(openings_pct)
        moved = -RESPOND if most > HUNGRY_PCT else TRIM if most < CONTENT_PCT else 0.0
        self.position = min(max(self.position + moved, 0.0), 1.0)

    def pressure_share(self) -> float:
        """Return the pressure setpoint over its design."""
        return 1 - (1 - LEAST_PRESSURE_SHARE) * min(self.position / PRESSURE_PART, 1.0)

    def warmer_k(self) -> float:
        """Return how much warmer than design the supply may be."""
        return round(WARMER_K * max(self.position - PRESSURE_PART, 0.0) / (1 - PRESSURE_PART), 1)
