"""Uncertainty of calculated values.

Implementation: plantview.calcs.uncertainty. Oracles: root sum of squares by hand for the worked
kW/ton example; a Monte Carlo of 10⁶ samples (JCGM 101:2008), which linearises nothing.
"""

from __future__ import annotations

import math

import pytest

from plantview.calcs.load import cooling_load_kw
from plantview.calcs.refrigerant import saturation_c
from plantview.calcs.uncertainty import combined, contributions, expanded, pair_correlation
from plantview.errors import OutsideSourceRange
from tests.standards.monte_carlo import drawn_u95
from tests.standards.uncertainty_cases import CASES, Case

GUM = CASES[0]


def test_the_worked_example_of_kw_per_ton() -> None:
    """1000 gpm ±2 %, 54 and 44 °F ±0.2 each, 250 kW ±1 %: 0.6000 ±0.0216."""
    found = expanded(GUM.calc, GUM.values, GUM.u95, {})
    assert found == pytest.approx(0.6 * math.sqrt(0.02**2 + 2 * 0.02**2 + 0.01**2), rel=1e-3)
    assert found == pytest.approx(0.0216, abs=0.00005)


def test_the_shares_of_the_worked_example() -> None:
    parts = contributions(GUM.calc, GUM.values, GUM.u95)
    total = combined(parts, {}) ** 2
    assert [round(100 * part**2 / total, 1) for part in parts] == pytest.approx([7.7, 30.8, 30.8, 30.8], abs=0.1)


# ΔT °F; relative expanded uncertainty, %, with sensors of ±0.05, 0.1, 0.2, 0.5, 1.0 °F, flow 2 %, power 1 %
TABLE = [
    (14, (2.3, 2.5, 3.0, 5.5, 10.4)), (10, (2.4, 2.7, 3.6, 7.4, 14.3)), (8, (2.4, 2.9, 4.2, 9.1, 17.8)),
    (6, (2.5, 3.3, 5.2, 12.0, 23.7)), (4, (2.9, 4.2, 7.4, 17.8, 35.4)),
]  # fmt: skip


@pytest.mark.parametrize(("difference_f", "row"), TABLE)
def test_the_table_of_kw_per_ton_by_sensor_and_difference(difference_f: float, row: tuple[float, ...]) -> None:
    """Linear propagation by hand; where sensors are as unsure as half the ΔT the formula bends, by up to a tenth."""
    for sensor_f, percent in zip((0.05, 0.1, 0.2, 0.5, 1.0), row, strict=True):
        values, spreads = (250.0, 1_000.0, 44.0 + difference_f, 44.0), (2.5, 20.0, sensor_f, sensor_f)
        found = 100 * expanded(GUM.calc, values, spreads, {}) / GUM.calc(*values)
        assert found == pytest.approx(percent, rel=0.01 + sensor_f**2 / difference_f**2, abs=0.06)


@pytest.mark.parametrize("case", CASES, ids=lambda case: case.name)
def test_propagation_agrees_with_a_monte_carlo_within_3_percent(case: Case) -> None:
    oracle = drawn_u95(case.calc, case.values, case.u95, case.correlation)
    assert expanded(case.calc, case.values, case.u95, case.correlation) == pytest.approx(oracle, rel=0.03)


def test_a_common_error_of_a_pair_cancels_in_a_difference_and_doubles_in_a_sum() -> None:
    assert combined([0.1, -0.1], {(0, 1): 1.0}) == pytest.approx(0.0, abs=1e-9)
    assert combined([0.1, 0.1], {(0, 1): 1.0}) == pytest.approx(0.2)
    assert combined([0.1, -0.1], {}) == pytest.approx(0.1 * math.sqrt(2))


@pytest.mark.parametrize(("each", "difference"), [(0.2, 0.1), (0.2, 0.2 * math.sqrt(2)), (0.2, 0.4), (0.3, 0.0)])
def test_the_correlation_of_a_pair_gives_its_difference_back(each: float, difference: float) -> None:
    r = pair_correlation(each, difference)
    assert combined([each, -each], {(0, 1): r}) == pytest.approx(difference, abs=1e-9)


@pytest.mark.parametrize(("each", "difference"), [(0.2, 0.41), (0.2, -0.1), (0.0, 0.1)])
def test_a_pair_that_cannot_be_is_refused(each: float, difference: float) -> None:
    with pytest.raises(OutsideSourceRange):
        pair_correlation(each, difference)


@pytest.mark.parametrize("r", [1.01, -1.01])
def test_a_correlation_that_cannot_be_is_refused(r: float) -> None:
    with pytest.raises(OutsideSourceRange):
        combined([1.0, 1.0], {(0, 1): r})


def test_where_a_formula_ends_on_one_side_the_other_side_tells() -> None:
    """Near 60 °C water the formula has no answer above; 1 K to 59.9 °C is felt downwards."""
    both = contributions(cooling_load_kw, (100.0, 50.0, 55.0), (1.0, 0.2, 0.2))
    edge = contributions(cooling_load_kw, (100.0, 55.0, 60.0), (1.0, 0.2, 0.2))
    low = contributions(cooling_load_kw, (100.0, 0.0, 5.0), (1.0, 0.2, 0.2))
    for one, other in zip((*edge, *low), (*both, *both), strict=True):
        assert one == pytest.approx(other, rel=0.02)


def test_where_a_formula_has_no_answer_on_either_side_nothing_is_claimed() -> None:
    with pytest.raises(OutsideSourceRange):
        contributions(lambda kpa: saturation_c(kpa, "R-134a"), (900.0,), (1e6,))
    with pytest.raises(ValueError, match="argument 2 is longer"):
        contributions(lambda a: a, (1.0,), (0.1, 0.2))


def test_an_input_that_is_certain_moves_nothing() -> None:
    assert contributions(lambda a, b: a * b, (2.0, 3.0), (0.0, 0.1)) == pytest.approx((0.0, 0.2))


@pytest.mark.parametrize("difference", [0.0, 0.1])
def test_a_pair_of_sensors_without_an_error_of_their_own_is_refused(difference: float) -> None:
    with pytest.raises(
        OutsideSourceRange, match=rf"a pair of sensors of ±0 cannot have a difference of ±{difference:g}"
    ):
        pair_correlation(0.0, difference)


def test_what_cancels_altogether_is_certain_though_rounding_leaves_less_than_nothing() -> None:
    """0.7² + 0.1² + 0.8² + 2(0.07 - 0.56 - 0.08) is 0; in binary digits it is a little below."""
    everything_together = {(0, 1): 1.0, (0, 2): 1.0, (1, 2): 1.0}
    parts = [0.7, 0.1, -(0.7 + 0.1)]
    assert sum(part**2 for part in parts) + 2 * (0.7 * 0.1 + 0.7 * parts[2] + 0.1 * parts[2]) == pytest.approx(
        0, abs=1e-15
    )
    assert combined(parts, everything_together) == 0.0
