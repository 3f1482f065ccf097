"""The water a tower loses.

Implementation: plantview.calcs.tower_water. Oracles: the same balance with psychrolib's moist
air in inch-pound units; salt balance worked by hand; rule of the trade (common practice, no source).
"""

from __future__ import annotations

import numpy as np
import psychrolib
import pytest

from plantview.calcs.tower_water import (
    blow_down_l_s,
    cycles_of_concentration,
    evaporation_l_s,
    evaporation_rule_l_s,
    make_up_l_s,
)
from plantview.errors import OutsideSourceRange

# dry bulb °F, wet bulb °F, evaporation of 3000 gpm over 10 °F at L/G 1.2, gpm
AIR = [(95, 78, 31.1), (80, 70, 26.2), (60, 50, 23.1), (40, 35, 17.7)]


def c(fahrenheit: float) -> float:
    return (fahrenheit - 32) / 1.8


@pytest.mark.parametrize(("dry_f", "wet_f", "gpm"), AIR)
def test_evaporation_agrees_with_known_values(dry_f: float, wet_f: float, gpm: float) -> None:
    found = evaporation_l_s(3_000.0, 10 / 1.8, c(dry_f), c(wet_f), 1.2, 101.325)
    assert found == pytest.approx(gpm, rel=0, abs=0.06)


@pytest.mark.parametrize(("dry_f", "wet_f"), [(95, 78), (60, 50), (100, 65)])
def test_evaporation_agrees_with_psychrolib(dry_f: float, wet_f: float) -> None:
    psychrolib.SetUnitSystem(psychrolib.IP)
    brought = psychrolib.GetHumRatioFromTWetBulb(dry_f, wet_f, 14.696)
    heat = psychrolib.GetMoistAirEnthalpy(dry_f, brought) + 0.9 * 12.0
    low, high = 20.0, 140.0
    for _ in range(60):
        middle = (low + high) / 2
        low, high = (middle, high) if psychrolib.GetSatAirEnthalpy(middle, 14.696) < heat else (low, middle)
    oracle = 100.0 / 0.9 * (psychrolib.GetSatHumRatio(high, 14.696) - brought)
    psychrolib.SetUnitSystem(psychrolib.SI)
    assert evaporation_l_s(100.0, 12 / 1.8, c(dry_f), c(wet_f), 0.9, 101.325) == pytest.approx(oracle, rel=1e-3)


def test_the_rule_of_the_trade_gives_30_gpm() -> None:
    """Common practice, no source: 3000 gpm over 10 °F evaporate 30 gpm."""
    assert evaporation_rule_l_s(3_000.0, 10 / 1.8) == pytest.approx(30.0, abs=1e-9)


# evaporation, cycles, blow-down, make-up: salt balance by hand
WATER = [(30.0, 3.0, 15.0, 45.0), (30.0, 4.0, 10.0, 40.0), (30.0, 6.0, 6.0, 36.0)]


@pytest.mark.parametrize(("evaporation", "cycles", "blow_down", "make_up"), WATER)
def test_blow_down_and_make_up(evaporation: float, cycles: float, blow_down: float, make_up: float) -> None:
    assert blow_down_l_s(evaporation, cycles) == pytest.approx(blow_down)
    assert blow_down_l_s(evaporation, cycles, 0.6) == pytest.approx(blow_down - 0.6)
    assert make_up_l_s(evaporation, cycles) == pytest.approx(make_up)


def test_conductivity_tells_the_cycles_that_the_waters_tell() -> None:
    assert cycles_of_concentration(1_800.0, 450.0) == pytest.approx(make_up_l_s(30.0, 4.0) / blow_down_l_s(30.0, 4.0))


def test_without_cycles_there_is_no_balance() -> None:
    for calc in (blow_down_l_s, make_up_l_s):
        with pytest.raises(OutsideSourceRange):
            calc(30.0, 1.0)
        assert calc(30.0, 1.001) > 0
    with pytest.raises(OutsideSourceRange):
        evaporation_l_s(100.0, -0.1, 30.0, 25.0, 1.2, 101.0)
    with pytest.raises(OutsideSourceRange):
        evaporation_l_s(100.0, 5.0, 30.0, 25.0, 0.0, 101.0)
    with pytest.raises(OutsideSourceRange, match="make-up"):
        cycles_of_concentration(100.0, 0.0)


def test_no_range_and_saturated_air_evaporate_nothing() -> None:
    assert evaporation_l_s(100.0, 0.0, 25.0, 25.0, 1.2, 101.325) == pytest.approx(0.0, abs=2e-3)


# dry bulb °C, wet bulb °C, range K, L/G: winter, and the hottest air that the source covers
BOTH_ENDS = [(-25.0, -25.5, 3.0, 0.8), (-39.0, -39.1, 0.5, 1.0), (-5.0, -6.0, 5.0, 1.0), (45.0, 45.0, 20.0, 2.5)]


@pytest.mark.parametrize(("dry_c", "wet_c", "range_k", "ratio"), BOTH_ENDS)
@pytest.mark.parametrize("kpa", [80.0, 101.325])
def test_evaporation_agrees_with_psychrolib_in_frost_and_in_heat(
    dry_c: float, wet_c: float, range_k: float, ratio: float, kpa: float
) -> None:
    psychrolib.SetUnitSystem(psychrolib.SI)
    brought = psychrolib.GetHumRatioFromTWetBulb(dry_c, wet_c, 1_000 * kpa)
    heat = psychrolib.GetMoistAirEnthalpy(dry_c, brought) + 4_186.8 * ratio * range_k
    low, high = -60.0, 90.0
    for _ in range(60):
        middle = (low + high) / 2
        low, high = (middle, high) if psychrolib.GetSatAirEnthalpy(middle, 1_000 * kpa) < heat else (low, middle)
    oracle = 100.0 / ratio * (psychrolib.GetSatHumRatio(high, 1_000 * kpa) - brought)
    if high > 60.0:
        with pytest.raises(OutsideSourceRange, match="60 °C can still take up"):
            evaporation_l_s(100.0, range_k, dry_c, wet_c, ratio, kpa)
    else:
        assert evaporation_l_s(100.0, range_k, dry_c, wet_c, ratio, kpa) == pytest.approx(oracle, rel=1e-5)


def test_air_that_would_leave_hotter_than_the_source_is_refused_not_clamped() -> None:
    with pytest.raises(OutsideSourceRange, match="heat that air up to 60 °C can still take up"):
        evaporation_l_s(100.0, 40.0, 45.0, 45.0, 3.0, 101.325)
    rows = (np.array([100.0, 100.0]), np.array([40.0, 5.0]), np.array([45.0, 30.0]), np.array([45.0, 24.0]))
    found = evaporation_l_s(*rows, np.array([3.0, 1.2]), np.array([101.325, 101.325]))
    assert np.isnan(found).tolist() == [True, False]
    assert found[1] == pytest.approx(evaporation_l_s(100.0, 5.0, 30.0, 24.0, 1.2, 101.325), rel=1e-12)


def test_the_range_of_a_tower_is_answered_up_to_40_kelvin_and_cycles_up_to_a_thousand() -> None:
    assert evaporation_l_s(100.0, 40.0, 20.0, 15.0, 1.0, 101.325) > 4.0
    with pytest.raises(OutsideSourceRange, match=r"^range, K, 40\.1 is outside 0 to 40$"):
        evaporation_l_s(100.0, 40.1, 20.0, 15.0, 1.0, 101.325)
    for calc in (blow_down_l_s, make_up_l_s):
        assert calc(30.0, 1_000.0) > 0
        with pytest.raises(OutsideSourceRange, match=r"^cycles of concentration 1001 is outside 1 to 1000$"):
            calc(30.0, 1_001.0)


@pytest.mark.parametrize("spare_kj_kg", [0.02, -0.02])
def test_air_may_leave_at_60_degrees_and_no_hotter(spare_kj_kg: float) -> None:
    """20 °C dry and 15 °C wet bulb bring 41.9 kJ/kg at sea level, saturated air of 60 °C holds 460 (psychrolib)."""
    psychrolib.SetUnitSystem(psychrolib.SI)
    brought = psychrolib.GetMoistAirEnthalpy(20.0, psychrolib.GetHumRatioFromTWetBulb(20.0, 15.0, 101_325.0))
    most = psychrolib.GetSatAirEnthalpy(60.0, 101_325.0)
    ratio = ((most - brought) / 1_000 - spare_kj_kg) / (4.1868 * 35.0)
    if spare_kj_kg > 0:
        assert evaporation_l_s(100.0, 35.0, 20.0, 15.0, ratio, 101.325) > 0
    else:
        with pytest.raises(OutsideSourceRange, match="60 °C can still take up"):
            evaporation_l_s(100.0, 35.0, 20.0, 15.0, ratio, 101.325)


@pytest.mark.parametrize("at_c", [-39.9, -30.0, 0.0, 40.0, 59.9])
def test_saturated_air_without_a_range_leaves_as_it_came_over_all_of_the_source(at_c: float) -> None:
    assert evaporation_l_s(100.0, 0.0, at_c, at_c, 1.2, 101.325) == pytest.approx(0.0, abs=1e-8)
