"""Heat exchangers and coils.

Implementation: plantview.calcs.exchange. Oracles: effectiveness-NTU and LMTD relations of heat
transfer textbooks (such as Incropera and DeWitt) worked by hand, closed forms at their limits,
and a numerical integration along the exchanger, which knows no formula.
"""

from __future__ import annotations

import math

import numpy as np
import pytest

from plantview.calcs.exchange import (
    coil_effectiveness_pct,
    conductance_kw_k,
    counterflow_effectiveness_pct,
    exchanger_effectiveness_pct,
    log_mean_difference_k,
)
from plantview.errors import OutsideSourceRange

# counterflow: NTU, capacity ratio, effectiveness by hand; charts are read to two decimals
CHART = [
    (1.0, 0.0, 0.632),
    (1.0, 0.5, 0.565),
    (1.0, 1.0, 0.500),
    (2.0, 0.5, 0.775),
    (3.0, 0.75, 0.817),
    (5.0, 1.0, 0.833),
]


@pytest.mark.parametrize(("units", "ratio", "expected"), CHART)
def test_counterflow_effectiveness_agrees_with_the_textbook_relation(
    units: float, ratio: float, expected: float
) -> None:
    smaller, larger = 10.0, 10.0 / ratio if ratio else 1e9
    for warm, cool in ((smaller, larger), (larger, smaller)):
        found = counterflow_effectiveness_pct(units * smaller, warm, cool)
        assert found == pytest.approx(100 * expected, rel=0, abs=0.06)


@pytest.mark.parametrize(
    ("ua", "warm", "cool"), [(40.0, 10.0, 25.0), (40.0, 25.0, 10.0), (12.0, 10.0, 10.0), (90.0, 31.0, 30.0)]
)
def test_counterflow_effectiveness_agrees_with_an_integration_along_the_plates(
    ua: float, warm: float, cool: float
) -> None:
    """March along the exchanger in 20 000 slices from the warm end, shooting for the cool inlet."""
    slices = 20_000
    out = difference_end = 0.0
    low, high = 0.0, 20.0  # cool outlet, with warm in at 20 and cool in at 0
    for _ in range(60):
        out = (low + high) / 2
        growth = ua / slices * (1 / cool - 1 / warm)
        difference_end = (20.0 - out) * (1 + growth) ** slices
        moved = warm * (20.0 - out) * (((1 + growth) ** slices - 1) / growth if growth else slices) * ua / slices / warm
        low, high = (out, high) if out - moved / cool < 0 else (low, out)
    expected = cool * out / (min(warm, cool) * 20.0) * 100
    assert difference_end > 0
    assert counterflow_effectiveness_pct(ua, warm, cool) == pytest.approx(expected, rel=1e-3)


def test_nearly_equal_rates_join_smoothly_to_equal_ones() -> None:
    equal = counterflow_effectiveness_pct(30.0, 10.0, 10.0)
    for beside in (1e-3, 1e-5, 1e-7, 1e-9):
        assert counterflow_effectiveness_pct(30.0, 10.0, 10.0 * (1 + beside)) == pytest.approx(equal, rel=beside + 1e-9)


def test_effectiveness_lmtd_and_ua_tell_the_same_of_one_exchanger() -> None:
    """14 -> 8 °C against 6 °C, 50 and 60 L/s: from effectiveness to UA by LMTD and back by NTU."""
    cp = 4.2
    effectiveness = exchanger_effectiveness_pct(14.0, 8.0, 6.0, 50.0, 60.0)
    heat_kw = 50.0 * cp * 6.0
    cool_out = 6.0 + heat_kw / (60.0 * cp)
    ua = conductance_kw_k(heat_kw, log_mean_difference_k(14.0 - cool_out, 8.0 - 6.0))
    assert effectiveness == pytest.approx(75.0)
    assert counterflow_effectiveness_pct(ua, 50.0 * cp, 60.0 * cp) == pytest.approx(effectiveness, rel=1e-9)


def test_the_smaller_capacity_rate_sets_the_most_that_can_be_moved() -> None:
    assert exchanger_effectiveness_pct(14.0, 10.0, 6.0, 50.0, 25.0) == pytest.approx(100.0)
    assert exchanger_effectiveness_pct(14.0, 10.0, 6.0, 25.0, 50.0) == pytest.approx(50.0)


# ends, log mean: the first as textbooks work it, the second an evaporator of 10 °F ΔT and 2 °F approach
LOG_MEANS = [(50.0, 100.0, 72.13), (2.0, 12.0, 5.581), (10.0, 10.0, 10.0), (10.0, 10.000_01, 10.0)]


@pytest.mark.parametrize(("one", "other", "expected"), LOG_MEANS)
def test_log_mean_difference(one: float, other: float, expected: float) -> None:
    assert log_mean_difference_k(one, other) == pytest.approx(expected, abs=0.005)
    assert log_mean_difference_k(other, one) == pytest.approx(expected, abs=0.005)


def test_the_log_mean_is_the_mean_along_the_surface() -> None:
    """Between 12 and 2 K the difference decays exponentially over the surface."""
    along = np.linspace(0.0, 1.0, 200_001)
    mean = float(np.trapezoid(12.0 * np.exp(-math.log(6.0) * along), along))
    assert log_mean_difference_k(12.0, 2.0) == pytest.approx(mean, rel=1e-9)


def test_crossing_temperatures_have_no_log_mean() -> None:
    with pytest.raises(OutsideSourceRange, match="one end"):
        log_mean_difference_k(0.0, 4.0)
    with pytest.raises(OutsideSourceRange, match="other end"):
        log_mean_difference_k(4.0, -1.0)


def test_a_coil_that_brings_air_to_its_water_is_perfect() -> None:
    assert coil_effectiveness_pct(26.5, 6.67, 6.67) == pytest.approx(100.0)
    assert coil_effectiveness_pct(26.5, 12.8, 6.67) == pytest.approx(100 * 13.7 / 19.83)


def test_conductance_is_heat_over_difference() -> None:
    assert conductance_kw_k(2_110.0, 5.581) == pytest.approx(378.07, abs=0.01)


def test_an_exchanger_without_surface_moves_nothing_and_one_without_water_is_refused() -> None:
    assert counterflow_effectiveness_pct(0.0, 10.0, 20.0) == 0.0
    for ua, warm, cool in ((-1.0, 10.0, 10.0), (30.0, 0.0, 10.0), (30.0, 10.0, 0.0)):
        with pytest.raises(OutsideSourceRange):
            counterflow_effectiveness_pct(ua, warm, cool)
    for warm, cool in ((0.0, 10.0), (10.0, 0.0)):
        with pytest.raises(OutsideSourceRange):
            exchanger_effectiveness_pct(14.0, 8.0, 6.0, warm, cool)
