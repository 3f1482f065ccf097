"""kW/ton, COP, EER and IPLV.

Implementation: plantview.calcs.efficiency. Oracles: arithmetic with 1 ton = 3.51685284 kW and
1 Btu = 1055.05585262 J; the IPLV equation of AHRI 550/590 worked by hand (weights from memory).
"""

from __future__ import annotations

import pytest

from plantview.calcs.efficiency import (
    cop,
    cop_of_kw_per_ton,
    eer_of_kw_per_ton,
    iplv_cop,
    iplv_kw_per_ton,
    kw_per_ton,
)

CONVERSIONS = [(0.50, 7.03371, 24.0), (0.60, 5.86142, 20.0), (0.85, 4.13747, 14.1176), (1.0, 3.51685, 12.0)]
LAST_DIGIT = 0.0001


@pytest.mark.parametrize(("efficiency", "as_cop", "as_eer"), CONVERSIONS)
def test_kw_per_ton_in_cop_and_eer(efficiency: float, as_cop: float, as_eer: float) -> None:
    assert cop_of_kw_per_ton(efficiency) == pytest.approx(as_cop, rel=0, abs=LAST_DIGIT)
    assert eer_of_kw_per_ton(efficiency) == pytest.approx(as_eer, rel=0, abs=LAST_DIGIT)


def test_eer_is_cop_times_btu_per_watt_hour() -> None:
    assert eer_of_kw_per_ton(0.6) / cop_of_kw_per_ton(0.6) == pytest.approx(3.41214, abs=5e-6)


def test_kw_per_ton_and_cop_of_one_machine_belong_together() -> None:
    assert cop_of_kw_per_ton(kw_per_ton(350.0, 2_317.0)) == pytest.approx(cop(2_317.0, 350.0), rel=1e-12)


def test_iplv_in_kw_per_ton_is_the_harmonic_mean() -> None:
    assert iplv_kw_per_ton(0.600, 0.490, 0.380, 0.420) == pytest.approx(0.42667, abs=1e-5)


def test_iplv_in_cop_is_the_weighted_mean() -> None:
    assert iplv_cop(5.86142, 7.17725, 9.25488, 8.37346) == pytest.approx(8.24257, abs=1e-4)


def test_the_tolerance_can_tell_the_harmonic_from_the_arithmetic_mean() -> None:
    arithmetic = 0.01 * 0.600 + 0.42 * 0.490 + 0.45 * 0.380 + 0.12 * 0.420
    assert abs(arithmetic - 0.42667) > 100 * 1e-5
