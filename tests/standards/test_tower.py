"""Tower effectiveness.

Implementation: plantview.calcs.tower. Oracle: arithmetic on the trade's design points
(95/85/78 °F, and 94.3/85/78 °F, the condenser water of AHRI 550/590-2015 table 1).
"""

from __future__ import annotations

import pytest

from plantview.calcs.tower import tower_approach_k, tower_effectiveness_pct, tower_range_k

POINTS_F = [(95.0, 85.0, 78.0, 58.824), (94.3, 85.0, 78.0, 57.055)]


@pytest.mark.parametrize(("entering_f", "leaving_f", "wet_bulb_f", "expected"), POINTS_F)
def test_effectiveness_at_design_points(
    entering_f: float, leaving_f: float, wet_bulb_f: float, expected: float
) -> None:
    entering, leaving, wet = ((each - 32) / 1.8 for each in (entering_f, leaving_f, wet_bulb_f))
    assert tower_effectiveness_pct(entering, leaving, wet) == pytest.approx(expected, rel=0, abs=0.001)
    range_k, approach_k = tower_range_k(entering, leaving), tower_approach_k(leaving, wet)
    assert 100 * range_k / (range_k + approach_k) == pytest.approx(expected, rel=0, abs=0.001)
