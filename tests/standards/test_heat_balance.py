"""Heat balance and its tolerance.

Implementation: plantview.calcs.heat_balance. Oracles: arithmetic; a row of the laboratory log
of ASHRAE RP-1043 (its "Heat Balance%" column, tons by the rule of 24); tolerance form of ARI
550/590-1998 and 2003 (from memory; RP-1043's tolerance column follows it).
"""

from __future__ import annotations

import pytest

from plantview.calcs.heat_balance import heat_balance_pct, heat_balance_tolerance_pct, open_drive_power_kw
from plantview.calcs.load import KW_PER_TON, rule_of_24_tons
from plantview.errors import OutsideSourceRange

TEN_F_AS_K = 10 / 1.8


def test_worked_example() -> None:
    assert heat_balance_pct(1_759.0, 320.0, 2_110.0) == pytest.approx(-1.469, abs=0.001)


def test_a_row_of_the_rp_1043_log() -> None:
    evaporator_tons = rule_of_24_tons(215.5733, 60.3303 - 50.3043)
    condenser_tons = rule_of_24_tons(265.9033, 94.879 - 85.39)
    assert evaporator_tons == pytest.approx(90.056, abs=0.002)
    assert condenser_tons == pytest.approx(105.132, abs=0.002)
    found = heat_balance_pct(evaporator_tons * KW_PER_TON, 82.459, condenser_tons * KW_PER_TON)
    assert found == pytest.approx(7.962, abs=0.008)


@pytest.mark.parametrize(("load", "tolerance"), [(100, 5.0), (75, 7.25), (50, 10.0), (25, 14.75)])
def test_tolerance_at_the_rating_points(load: float, tolerance: float) -> None:
    assert heat_balance_tolerance_pct(float(load), TEN_F_AS_K) == pytest.approx(tolerance, abs=1e-9)


def test_half_the_design_difference_widens_the_tolerance() -> None:
    assert heat_balance_tolerance_pct(100.0, TEN_F_AS_K / 2) == pytest.approx(6.5, abs=1e-9)


def test_the_motor_of_an_open_drive_heats_the_room_and_not_the_refrigerant() -> None:
    assert open_drive_power_kw(100.0, 90.0) == pytest.approx(90.0)


@pytest.mark.parametrize(("load", "difference_k"), [(0.09, 5.6), (150.1, 5.6), (50.0, 0.09), (50.0, 30.1)])
def test_a_load_or_difference_beyond_the_source_is_refused(load: float, difference_k: float) -> None:
    with pytest.raises(OutsideSourceRange):
        heat_balance_tolerance_pct(load, difference_k)


@pytest.mark.parametrize(("load", "difference_k"), [(0.1, 5.6), (150.0, 5.6), (50.0, 0.1), (50.0, 30.0)])
def test_up_to_the_limits_of_the_source_there_is_a_tolerance(load: float, difference_k: float) -> None:
    assert heat_balance_tolerance_pct(load, difference_k) > 0
