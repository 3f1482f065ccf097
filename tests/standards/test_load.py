"""Cooling load: exact balance and the rule of the trade.

Implementation: plantview.calcs.load. Oracles: loads computed with CoolProp 8.0.0 (Water,
401.3 kPa, m × Δh) for round numbers of the trade; IAPWS-95 of the package iapws; arithmetic;
one row of a real operating log.
"""

from __future__ import annotations

from itertools import pairwise

import pytest
from iapws import IAPWS95

from plantview.calcs.load import KW_PER_TON, cooling_load_kw, heat_rejection_kw, rule_of_24_tons, tons, water_heat_kw

L_S_PER_GPM = 3.785411784 / 60
# gpm, hot °F, cold °F, meter °F, tons
EXACT = [
    (1_000, 54, 44, 44, 418.124),
    (2_400, 55, 45, 45, 1_003.253),
    (3_000, 94.3, 85, 85, 1_157.235),
    (3_000, 94.3, 85, 94.3, 1_155.317),
]
TOLERANCE_TONS = 0.05


def c(fahrenheit: float) -> float:
    """Return °C."""
    return (fahrenheit - 32) / 1.8


@pytest.mark.parametrize(("gpm", "hot_f", "cold_f", "meter_f", "expected"), EXACT)
def test_exact_load_agrees_with_computed_tons(
    gpm: float, hot_f: float, cold_f: float, meter_f: float, expected: float
) -> None:
    found = tons(water_heat_kw(gpm * L_S_PER_GPM, c(cold_f), c(hot_f), c(meter_f)))
    assert found == pytest.approx(expected, rel=0, abs=TOLERANCE_TONS)


def test_the_tolerance_can_tell_in_which_leg_the_meter_stands() -> None:
    assert min(abs(a[4] - b[4]) for a, b in pairwise(EXACT)) > 10 * TOLERANCE_TONS


def test_exact_load_agrees_with_iapws_95_of_another_library() -> None:
    cold, hot = (IAPWS95(T=at_c + 273.15, P=0.4) for at_c in (6.7, 12.3))
    expected_kw = 0.1 * cold.rho * (hot.h - cold.h)
    assert cooling_load_kw(100.0, 6.7, 12.3) == pytest.approx(expected_kw, rel=1e-4)


# gpm, °F difference, tons: arithmetic; the last row stands so in a real operating log (201.2 logged)
RULE = [(1_000, 10.0, 416.6667), (2_400, 10.0, 1_000.0), (1_238, 3.9, 201.175)]


@pytest.mark.parametrize(("gpm", "difference_f", "expected"), RULE)
def test_rule_of_24(gpm: float, difference_f: float, expected: float) -> None:
    assert rule_of_24_tons(float(gpm), difference_f) == pytest.approx(expected, rel=0, abs=0.001)


@pytest.mark.parametrize(("hot_f", "cold_f", "percent"), [(54, 44, -0.349), (94.3, 85, 0.455)])
def test_the_rule_errs_by_what_its_docstring_says(hot_f: float, cold_f: float, percent: float) -> None:
    exact = tons(cooling_load_kw(1_000 * L_S_PER_GPM, c(cold_f), c(hot_f)))
    assert 100 * (rule_of_24_tons(1_000.0, hot_f - cold_f) / exact - 1) == pytest.approx(percent, abs=0.01)


@pytest.mark.parametrize(("cold_c", "hot_c", "percent"), [(6.67, 12.22, 0.05), (29.44, 34.6, 0.17)])
def test_the_leg_of_the_meter_matters_by_what_the_docstrings_say(cold_c: float, hot_c: float, percent: float) -> None:
    supply, back = (water_heat_kw(100.0, cold_c, hot_c, meter_c) for meter_c in (cold_c, hot_c))
    assert 100 * (supply / back - 1) == pytest.approx(percent, abs=0.015)


def test_a_ton_is_12_000_btu_an_hour() -> None:
    assert pytest.approx(3.51685284, abs=5e-9) == KW_PER_TON
    assert tons(KW_PER_TON) == 1.0


def test_rejection_counts_the_other_way_round() -> None:
    assert heat_rejection_kw(100.0, 29.0, 35.0) > 0 > cooling_load_kw(100.0, 12.0, 7.0)
