"""The variable-speed tower correlation and Merkel's number.

Implementation: plantview.calcs.tower_model. Oracles: the published coefficient set of the
EnergyPlus Engineering Reference transcribed a second time, and its values by another program;
Merkel's integral with psychrolib's saturated air and Chebyshev's four points, as tower practice
(Cooling Technology Institute, from memory) works it.
"""

from __future__ import annotations

from itertools import product

import numpy as np
import psychrolib
import pytest
from scipy.integrate import quad  # type: ignore[import-untyped]

from plantview.calcs.tower_model import COEFFICIENTS, merkel_number, variable_speed_approach_k
from plantview.errors import OutsideSourceRange
from plantview.simulator.tower import COEFFICIENTS as SIMULATED

# second transcription: one term a line, in the reference's own order Coeff(1) to Coeff(27)
PRINTED = """
-0.359741205
-0.055053608
0.0023850432
0.173926877
-0.0248473764
0.00048430224
-0.005589849456
0.0005770079712
-0.00001342427256
2.84765801111111
-0.121765149
0.0014599242
1.680428651
-0.0166920786
-0.0007190532
-0.025485194448
0.0000487491696
0.00002719234152
-0.0653766255555556
-0.002278167
0.0002500254
-0.0910565458
0.00318176316
0.000038621772
-0.0034285382352
0.00000856589904
-0.000001516821552
"""
# range K, wet bulb °C, water ratio, air ratio, approach K
KNOWN = [
    (5.56, 25.56, 1.0, 1.0, 3.8425), (5.56, 20.0, 1.0, 1.0, 5.0580), (5.56, 15.0, 1.0, 1.0, 6.3297),
    (5.56, 10.0, 1.0, 1.0, 7.7706), (2.78, 15.0, 1.0, 1.0, 3.6654), (5.56, 25.56, 1.0, 0.5, 8.6788),
    (5.56, 23.89, 1.25, 1.0, 5.4853),
]  # fmt: skip


def test_the_coefficients_agree_token_by_token_with_a_second_transcription() -> None:
    tokens = PRINTED.split()
    assert len(tokens) == len(COEFFICIENTS) == 27
    assert [(number, float(token)) for number, token in enumerate(tokens) if COEFFICIENTS[number] != float(token)] == []
    assert COEFFICIENTS == SIMULATED, "the simulator has its own copy"


@pytest.mark.parametrize(("range_k", "wet_c", "water", "air", "expected"), KNOWN)
def test_the_approach_is_the_published_one(
    range_k: float, wet_c: float, water: float, air: float, expected: float
) -> None:
    assert variable_speed_approach_k(range_k, wet_c, water, air) == pytest.approx(expected, rel=0, abs=1e-3)


def test_every_term_stands_at_its_place() -> None:
    """Written out as the reference prints it: 27 products of powers."""
    range_k, wet, ratio = 7.3, 18.4, 1.1 / 0.8
    terms = [
        c * wet**w * range_k**r * ratio**power
        for (power, r, w), c in zip(product(range(3), repeat=3), map(float, PRINTED.split()), strict=True)
    ]
    assert variable_speed_approach_k(range_k, wet, 1.1, 0.8) == pytest.approx(sum(terms), rel=1e-12)


def test_at_one_range_the_approach_grows_as_the_wet_bulb_falls() -> None:
    found = [variable_speed_approach_k(5.56, wet_c, 1.0, 1.0) for wet_c in (26.0, 22.0, 18.0, 14.0, 10.0, 5.0)]
    assert found == sorted(found)


@pytest.mark.parametrize(("range_k", "wet_c", "water", "air"), [
    (1.0, 20.0, 1.0, 1.0), (22.3, 20.0, 1.0, 1.0), (5.0, 26.8, 1.0, 1.0), (5.0, -34.5, 1.0, 1.0),
    (5.0, 20.0, 0.7, 1.0), (5.0, 20.0, 1.3, 1.0), (5.0, 20.0, 1.0, 0.19), (5.0, 20.0, 1.0, 1.01),
])  # fmt: skip
def test_beyond_its_range_the_correlation_is_refused_not_clamped(
    range_k: float, wet_c: float, water: float, air: float
) -> None:
    with pytest.raises(OutsideSourceRange):
        variable_speed_approach_k(range_k, wet_c, water, air)


@pytest.mark.parametrize(("range_k", "wet_c", "water", "air"), [
    (1.1, 20.0, 1.0, 1.0), (22.2, 20.0, 1.0, 1.0), (5.0, 26.7, 1.0, 1.0), (5.0, -34.4, 1.0, 1.0),
    (5.0, 20.0, 0.75, 1.0), (5.0, 20.0, 1.25, 1.0), (5.0, 20.0, 1.0, 0.2),
])  # fmt: skip
def test_up_to_its_limits_the_correlation_answers(range_k: float, wet_c: float, water: float, air: float) -> None:
    assert np.isfinite(variable_speed_approach_k(range_k, wet_c, water, air))


def celsius(fahrenheit: float) -> float:
    return (fahrenheit - 32) / 1.8


# entering, leaving, wet bulb °F, L/G
TOWERS = [(95, 85, 78, 1.2), (95, 85, 78, 1.0), (85, 70, 60, 1.2), (100, 85, 75, 1.3), (105, 80, 70, 0.9)]


@pytest.mark.parametrize(("hot_f", "cold_f", "wet_f", "ratio"), TOWERS)
def test_merkel_number_agrees_with_four_chebyshev_points_and_psychrolib(
    hot_f: float, cold_f: float, wet_f: float, ratio: float
) -> None:
    psychrolib.SetUnitSystem(psychrolib.IP)
    across = hot_f - cold_f
    air = psychrolib.GetSatAirEnthalpy(wet_f, 14.696)
    drives = [
        psychrolib.GetSatAirEnthalpy(cold_f + at * across, 14.696) - air - ratio * at * across
        for at in (0.1, 0.4, 0.6, 0.9)
    ]
    oracle = across / 4 * sum(1 / drive for drive in drives)
    psychrolib.SetUnitSystem(psychrolib.SI)
    assert merkel_number(celsius(hot_f), celsius(cold_f), celsius(wet_f), ratio) == pytest.approx(oracle, rel=2.5e-3)


def test_water_cannot_be_cooled_to_the_wet_bulb_by_any_tower() -> None:
    with pytest.raises(OutsideSourceRange, match="enthalpy"):
        merkel_number(35.0, 25.5, 25.56, 1.2)
    with pytest.raises(OutsideSourceRange, match="water to air"):
        merkel_number(35.0, 29.0, 25.56, 0.0)


def test_thin_air_makes_a_smaller_tower_do() -> None:
    assert merkel_number(35.0, 29.44, 25.56, 1.2, 83.4) < merkel_number(35.0, 29.44, 25.56, 1.2)


@pytest.mark.parametrize(("hot_f", "cold_f", "wet_f", "ratio"), TOWERS)
def test_merkel_number_is_the_integral_of_psychrolibs_air_to_the_fifth_digit(
    hot_f: float, cold_f: float, wet_f: float, ratio: float
) -> None:
    """Adaptive quadrature in inch-pound units instead of Simpson's rule in SI."""
    psychrolib.SetUnitSystem(psychrolib.IP)
    psia = 101.325 / 6.894757293168
    air = psychrolib.GetSatAirEnthalpy(wet_f, psia)
    oracle, _ = quad(
        lambda at_f: 1 / (psychrolib.GetSatAirEnthalpy(at_f, psia) - air - ratio * (at_f - cold_f)), cold_f, hot_f
    )
    psychrolib.SetUnitSystem(psychrolib.SI)
    assert merkel_number(celsius(hot_f), celsius(cold_f), celsius(wet_f), ratio) == pytest.approx(oracle, rel=2e-6)


def test_water_at_0_degrees_is_water_like_any_other() -> None:
    assert merkel_number(10.0, 0.0, -5.0, 0.5) == pytest.approx(merkel_number(10.0, 1e-9, -5.0, 0.5), rel=1e-8)
