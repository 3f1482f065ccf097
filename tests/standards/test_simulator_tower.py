"""The 27-term approach correlation of the simulated tower against its published check values.

Oracle: EnergyPlus Engineering Reference, variable-speed cooling tower, first published
coefficient set, evaluated by an independent program; tolerance 1e-3 K as printed.
"""

from __future__ import annotations

import pytest

from plantview.simulator.tower import Cooling, approach_k, solved_range_k

# range K, wet bulb °C, water ratio, air ratio, approach K
PUBLISHED = [
    (5.56, 25.56, 1.0, 1.0, 3.8425),
    (5.56, 20.0, 1.0, 1.0, 5.0580),
    (5.56, 15.0, 1.0, 1.0, 6.3297),
    (5.56, 10.0, 1.0, 1.0, 7.7706),
    (2.78, 15.0, 1.0, 1.0, 3.6654),
    (5.56, 25.56, 1.0, 0.5, 8.6788),
    (5.56, 23.89, 1.25, 1.0, 5.4853),
]


@pytest.mark.parametrize(("range_k", "wet_bulb_c", "water", "air", "expected"), PUBLISHED)
def test_the_correlation_gives_the_published_approach(
    range_k: float, wet_bulb_c: float, water: float, air: float, expected: float
) -> None:
    assert approach_k(range_k, wet_bulb_c, water, air) == pytest.approx(expected, rel=0, abs=1e-3)


@pytest.mark.parametrize(("range_k", "wet_bulb_c", "water", "air", "expected"), PUBLISHED)
def test_solving_for_the_range_inverts_the_correlation(
    range_k: float, wet_bulb_c: float, water: float, air: float, expected: float
) -> None:
    entering_c = wet_bulb_c + expected + range_k
    assert solved_range_k(entering_c, wet_bulb_c, water / air) == pytest.approx(range_k, rel=0, abs=1e-3)


@pytest.fixture
def cell() -> Cooling:
    return Cooling(113.5, 35.05, 29.44, 25.6)


def test_a_cell_meets_its_own_design_point(cell: Cooling) -> None:
    assert cell.leaving_c(35.05, 25.6, 113.5, 1.0) == pytest.approx(29.44, rel=0, abs=1e-3)


def test_more_air_cools_more_and_fans_off_still_cool_a_little(cell: Cooling) -> None:
    leaving = [cell.leaving_c(33.0, 22.0, 113.5, air) for air in (0.0, 0.2, 0.4, 0.6, 0.8, 1.0)]
    assert leaving == sorted(leaving, reverse=True)
    assert 33.0 - leaving[0] == pytest.approx(0.125 * (33.0 - leaving[-1]), rel=1e-9)
    assert min(leaving) > 22.0


def test_water_never_leaves_below_wet_bulb_and_colder_water_is_not_warmed(cell: Cooling) -> None:
    for entering in (18.0, 21.9, 22.0, 22.1, 23.0, 25.0, 40.0):
        leaving = cell.leaving_c(entering, 22.0, 113.5, 1.0)
        assert min(entering, 22.0) <= leaving <= entering
