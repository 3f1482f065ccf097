"""Range and approach on the trade's design point, 35 / 29.4 / 25.6 °C."""

from __future__ import annotations

import pytest

from plantview.calcs.tower import tower_approach_k, tower_range_k


def test_range_is_across_the_tower_and_approach_is_to_the_wet_bulb() -> None:
    assert tower_range_k(35.0, 29.4) == pytest.approx(5.6)
    assert tower_approach_k(29.4, 25.6) == pytest.approx(3.8)
