"""A tower cell: the 27-term approach correlation, scaled to the cell's design point.

Source: EnergyPlus Engineering Reference, variable-speed cooling tower, first published
coefficient set ("CoolTools" form); tests/standards/test_simulator_tower.py holds its check values.
"""

from __future__ import annotations

from typing import Final

from plantview.simulator.constants import FREE_CONVECTION_SHARE

COEFFICIENTS: Final = (
    -0.359741205,
    -0.055053608,
    0.0023850432,
    0.173926877,
    -0.0248473764,
    0.00048430224,
    -0.005589849456,
    0.0005770079712,
    -0.00001342427256,
    2.84765801111111,
    -0.121765149,
    0.0014599242,
    1.680428651,
    -0.0166920786,
    -0.0007190532,
    -0.025485194448,
    0.0000487491696,
    0.00002719234152,
    -0.0653766255555556,
    -0.002278167,
    0.0002500254,
    -0.0910565458,
    0.00318176316,
    0.000038621772,
    -0.0034285382352,
    0.00000856589904,
    -0.000001516821552,
)
WET_BULB_C: Final = (-34.4, 26.7)
RANGE_K: Final = (1.1, 22.2)
RATIO_MAX: Final = 8.0
"""Largest water-to-air ratio that the correlation covers."""


def approach_terms(wet_bulb_c: float, ratio: float) -> tuple[float, float, float]:
    """Return a, b, c of approach = a + b * range + c * range^2 [K] at a water-to-air ratio."""
    c, w, w2 = COEFFICIENTS, wet_bulb_c, wet_bulb_c * wet_bulb_c
    rows = [c[i] + c[i + 1] * w + c[i + 2] * w2 for i in range(0, 27, 3)]
    r2 = ratio * ratio
    return (
        rows[0] + rows[3] * ratio + rows[6] * r2,
        rows[1] + rows[4] * ratio + rows[7] * r2,
        rows[2] + rows[5] * ratio + rows[8] * r2,
    )


def approach_k(range_k: float, wet_bulb_c: float, water_ratio: float, air_ratio: float) -> float:
    """Return the approach of the published tower; ratios are to its design water and air flow."""
    a, b, c = approach_terms(wet_bulb_c, water_ratio / air_ratio)
    return a + b * range_k + c * range_k * range_k


def solved_range_k(entering_c: float, wet_bulb_c: float, ratio: float) -> float:
    """Return the range at which range + approach + wet bulb = entering water.

    Below the shortest range of the source the approach shrinks in proportion, so that water
    that enters at wet bulb leaves at wet bulb.
    """
    drive = entering_c - wet_bulb_c
    if drive <= 0:
        return 0.0
    a, b, c = approach_terms(min(max(wet_bulb_c, WET_BULB_C[0]), WET_BULB_C[1]), min(ratio, RATIO_MAX))
    shortest = RANGE_K[0]
    approach_there = a + b * shortest + c * shortest * shortest
    if drive < shortest + approach_there:
        return drive * shortest / (shortest + approach_there)
    slope = b + 1
    gap = a - drive
    if abs(c) < 1e-9:
        return -gap / slope
    under_root = max(slope * slope - 4 * c * gap, 0.0)
    return float(-2 * gap / (slope + under_root**0.5))


def design_water_ratio(range_k: float, approach: float, wet_bulb_c: float) -> float:
    """Return the published tower's water ratio at which it meets a cell's design point."""
    low, high = 0.2, 4.0
    for _ in range(60):
        middle = (low + high) / 2
        low, high = (middle, high) if approach_k(range_k, wet_bulb_c, middle, 1.0) < approach else (low, middle)
    return (low + high) / 2


class Cooling:
    """The fill of one cell."""

    def __init__(self, water_kg_s: float, entering_c: float, leaving_c: float, wet_bulb_c: float) -> None:
        self._design_kg_s = water_kg_s
        self._water_ratio = design_water_ratio(entering_c - leaving_c, leaving_c - wet_bulb_c, wet_bulb_c)

    def leaving_c(self, entering_c: float, wet_bulb_c: float, water_kg_s: float, air_ratio: float) -> float:
        """Return the leaving water; ``air_ratio`` is air flow over design, 0 with the fans off."""
        if water_kg_s <= 0:
            return entering_c
        water = self._water_ratio * water_kg_s / self._design_kg_s
        fanless = FREE_CONVECTION_SHARE * solved_range_k(entering_c, wet_bulb_c, water)
        if air_ratio <= 0:
            return entering_c - fanless
        forced = solved_range_k(entering_c, wet_bulb_c, water / air_ratio)
        return entering_c - max(fanless, forced)
