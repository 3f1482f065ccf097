"""Outdoor air.

Implementation: plantview.calcs.air, own solution of the ASHRAE equations. Oracles: ASHRAE
Handbook - Fundamentals (2017), ch. 1, table 1 as carried by the tests of psychrolib; psychrolib
2.5.0; CoolProp's HAPropsSI (ASHRAE RP-1485, real gas), which knows nothing of the same equations.
"""

from __future__ import annotations

import inspect
import math
import re
from collections.abc import Callable
from itertools import pairwise

import numpy as np
import pandas as pd
import psychrolib
import pytest
from CoolProp.HumidAirProp import HAPropsSI
from iapws import IAPWS97

from plantview.calcs import air
from plantview.calcs.air import (
    humidity_ratio_of_wet_bulb,
    moist_air_enthalpy_kj_kg,
    saturated_enthalpy_kj_kg,
    saturated_humidity_ratio,
    saturation_vapour_pressure_kpa,
    standard_pressure_kpaa,
    wet_bulb_c,
)
from plantview.errors import OutsideSourceRange

# altitude, m; pressure, kPa: as printed, three decimals
TABLE_1 = [(-500, 107.478), (0, 101.325), (500, 95.461), (1_000, 89.875), (4_000, 61.640), (10_000, 26.436)]
LAST_DIGIT = 0.001
# dry bulb °F, relative humidity, altitude ft, wet bulb °F by psychrolib 2.5.0
WET_BULBS = [
    (95, 0.4, 0, 75.076),
    (85, 0.5, 0, 70.780),
    (78, 0.5, 0, 65.018),
    (86, 0.8, 0, 80.763),
    (32, 0.7, 0, 28.847),
    (90, 0.5, 5_280, 74.131),
    (95, 0.2, 5_280, 64.124),
]
TOLERANCE_F = 0.03


@pytest.fixture(autouse=True)
def _si_units() -> None:
    # psychrolib keeps its unit system in a global
    psychrolib.SetUnitSystem(psychrolib.SI)


@pytest.mark.parametrize(("altitude_m", "printed_kpa"), TABLE_1)
def test_standard_pressure_agrees_with_table_1_to_its_last_digit(altitude_m: float, printed_kpa: float) -> None:
    assert standard_pressure_kpaa(float(altitude_m)) == pytest.approx(printed_kpa, rel=0, abs=LAST_DIGIT)


def test_the_tolerance_can_tell_neighbouring_rows_apart() -> None:
    assert min(abs(a - b) for (_, a), (_, b) in pairwise(TABLE_1)) > 100 * LAST_DIGIT


def test_altitude_beyond_the_source_is_refused_not_clamped() -> None:
    with pytest.raises(OutsideSourceRange):
        standard_pressure_kpaa(11_001.0)


@pytest.mark.parametrize(("dry_f", "humidity", "altitude_ft", "expected_f"), WET_BULBS)
def test_wet_bulb_agrees_with_known_values(
    dry_f: float, humidity: float, altitude_ft: float, expected_f: float
) -> None:
    station_kpaa = standard_pressure_kpaa(altitude_ft * 0.3048)
    found_f = wet_bulb_c((dry_f - 32) / 1.8, 100 * humidity, station_kpaa) * 1.8 + 32
    assert found_f == pytest.approx(expected_f, rel=0, abs=TOLERANCE_F)


def test_the_wet_bulb_tolerance_can_tell_the_altitudes_apart() -> None:
    sea, mile = (wet_bulb_c(32.2, 50.0, kpa) for kpa in (101.325, 83.43))
    assert abs(sea - mile) * 1.8 > 10 * TOLERANCE_F


AIR = [(dry_c, rh, kpa) for dry_c in (3.0, 14.0, 27.0, 41.0) for rh in (8.0, 35.0, 70.0, 99.0) for kpa in (80.0, 101.3)]


@pytest.mark.parametrize(("dry_c", "humidity", "kpa"), AIR)
def test_wet_bulb_agrees_with_coolprop_above_freezing(dry_c: float, humidity: float, kpa: float) -> None:
    oracle = HAPropsSI("B", "T", dry_c + 273.15, "R", humidity / 100, "P", kpa * 1_000) - 273.15
    if oracle > 0.5:
        assert wet_bulb_c(dry_c, humidity, kpa) == pytest.approx(oracle, rel=0, abs=0.03)
    else:
        # around freezing the two libraries choose between a wet and an iced wick differently
        assert wet_bulb_c(dry_c, humidity, kpa) == pytest.approx(oracle, rel=0, abs=0.6)


@pytest.mark.parametrize(("dry_c", "humidity"), [(-12.0, 80.0), (-5.0, 40.0), (18.0, 55.0), (45.0, 12.0)])
def test_wet_bulb_agrees_with_psychrolib_below_and_above_freezing(dry_c: float, humidity: float) -> None:
    oracle = psychrolib.GetTWetBulbFromRelHum(dry_c, humidity / 100, 97_000.0)
    assert wet_bulb_c(dry_c, humidity, 97.0) == pytest.approx(oracle, rel=0, abs=0.002)


def test_a_month_in_a_series_gives_the_same_as_its_minutes() -> None:
    index = pd.date_range("2026-07-01", periods=4, freq="min", tz="UTC")
    dry = pd.Series([30.0, 4.0, -8.0, math.nan], index=index)
    humidity = pd.Series([50.0, 30.0, 70.0, 50.0], index=index)
    station = pd.Series(101.3, index=index)
    found = wet_bulb_c(dry, humidity, station)
    assert list(found.index) == list(index)
    assert found.iloc[:3].tolist() == pytest.approx(
        [wet_bulb_c(t, rh, 101.3) for t, rh in zip(dry[:3], humidity[:3], strict=True)]
    )
    assert math.isnan(found.iloc[3])


@pytest.mark.parametrize(("dry_c", "humidity", "kpa"), [(61.0, 50.0, 101.0), (20.0, 104.0, 101.0), (20.0, 50.0, 30.0)])
def test_air_beyond_the_source_is_refused_not_clamped(dry_c: float, humidity: float, kpa: float) -> None:
    with pytest.raises(OutsideSourceRange):
        wet_bulb_c(dry_c, humidity, kpa)
    row = wet_bulb_c(np.array([dry_c, 20.0]), np.array([humidity, 50.0]), np.array([kpa, 101.0]))
    assert np.isnan(row[0])
    assert row[1] == pytest.approx(wet_bulb_c(20.0, 50.0, 101.0))


# °C, kPa: vapour pressure of water as ASHRAE Handbook - Fundamentals (2017), ch. 1, table 3 has it, by psychrolib's tests
VAPOUR = [
    (-60.0, 0.00108),
    (-20.0, 0.10324),
    (-5.0, 0.40178),
    (5.0, 0.87260),
    (25.0, 3.1693),
    (50.0, 12.3520),
    (100.0, 101.417),
]


@pytest.mark.parametrize(("at_c", "kpa"), VAPOUR)
def test_vapour_pressure_agrees_with_table_3(at_c: float, kpa: float) -> None:
    assert saturation_vapour_pressure_kpa(at_c) == pytest.approx(kpa, rel=3e-4, abs=0.000005)


def test_the_coefficients_of_vapour_pressure_agree_token_by_token_with_psychrolib() -> None:
    """psychrolib is a second transcription of eq. 5 and 6, in SI."""
    source = inspect.getsource(psychrolib.GetSatVapPres)
    metric = source.rpartition("else:\n        if (TDryBulb <=")[2]
    numbers = [abs(float(token)) for token in re.findall(r"\d\.\d+E[+-]?\d+|\d\.\d+", metric)]
    for ours in (air._OVER_ICE, air._OVER_WATER):
        for coefficient in ours:
            assert coefficient == 0.0 or abs(coefficient) in numbers, coefficient


@pytest.mark.parametrize(("at_c", "kpa"), [(-15.0, 101.325), (5.0, 95.0), (25.0, 101.325), (50.0, 83.4)])
def test_saturated_air_agrees_with_psychrolib(at_c: float, kpa: float) -> None:
    ratio, heat = saturated_humidity_ratio(at_c, kpa), saturated_enthalpy_kj_kg(at_c, kpa)
    assert ratio == pytest.approx(psychrolib.GetSatHumRatio(at_c, kpa * 1_000), rel=1e-5)
    assert heat == pytest.approx(psychrolib.GetSatAirEnthalpy(at_c, kpa * 1_000) / 1_000, rel=1e-5)
    assert moist_air_enthalpy_kj_kg(at_c, ratio) == heat


# °F, humidity ratio, Btu/lb: table 2 as carried by psychrolib's tests, which note 0.5-2 % and 1-3 % between ideal and real gas
TABLE_2 = [(77.0, 0.020173, 40.576), (41.0, 0.005425, 15.699)]


@pytest.mark.parametrize(("at_f", "ratio", "btu_lb"), TABLE_2)
def test_saturated_air_is_near_table_2(at_f: float, ratio: float, btu_lb: float) -> None:
    at_c = (at_f - 32) / 1.8
    assert saturated_humidity_ratio(at_c, 101.325) == pytest.approx(ratio, rel=0.005)
    from_0_f = saturated_enthalpy_kj_kg(at_c, 101.325) + 1.006 * 32 / 1.8
    assert from_0_f / 2.326 == pytest.approx(btu_lb, rel=0.005)


def test_the_example_of_the_handbook_for_dry_and_wet_bulb() -> None:
    """100 °F dry bulb and 65 °F wet bulb: humidity ratio 0.00523, read off a chart (1 %)."""
    assert humidity_ratio_of_wet_bulb((100 - 32) / 1.8, (65 - 32) / 1.8, 101.325) == pytest.approx(0.00523, rel=0.012)


@pytest.mark.parametrize(("dry_c", "wet_c"), [(30.0, 22.0), (8.0, 3.0), (-2.0, -4.0), (40.0, 20.0)])
def test_humidity_of_a_wet_bulb_agrees_with_psychrolib(dry_c: float, wet_c: float) -> None:
    oracle = psychrolib.GetHumRatioFromTWetBulb(dry_c, wet_c, 97_000.0)
    assert humidity_ratio_of_wet_bulb(dry_c, wet_c, 97.0) == pytest.approx(oracle, rel=1e-5)


def test_a_wet_bulb_above_dry_bulb_is_refused() -> None:
    with pytest.raises(OutsideSourceRange, match="dry bulb less wet bulb"):
        humidity_ratio_of_wet_bulb(20.0, 20.1, 101.0)


@pytest.mark.parametrize(("low", "high"), [(-500.0, 11_000.0)])
def test_altitude_up_to_its_limits_is_answered(low: float, high: float) -> None:
    assert standard_pressure_kpaa(low) == pytest.approx(107.478, abs=LAST_DIGIT)
    assert 22.0 < standard_pressure_kpaa(high) < 23.0
    with pytest.raises(OutsideSourceRange):
        standard_pressure_kpaa(low - 1.0)


@pytest.mark.parametrize(
    ("dry_c", "humidity", "kpa"),
    [
        (-40.0, 50.0, 101.0),
        (60.0, 20.0, 101.0),
        (20.0, 0.0, 101.0),
        (20.0, 100.0, 101.0),
        (20.0, 50.0, 60.0),
        (20.0, 50.0, 110.0),
    ],
)
def test_air_up_to_the_limits_of_the_source_has_a_wet_bulb(dry_c: float, humidity: float, kpa: float) -> None:
    assert dry_c - 60 < wet_bulb_c(dry_c, humidity, kpa) <= dry_c + 1e-9


@pytest.mark.parametrize(
    ("dry_c", "humidity", "kpa"),
    [
        (-40.1, 50.0, 101.0),
        (60.1, 20.0, 101.0),
        (20.0, -0.1, 101.0),
        (20.0, 100.1, 101.0),
        (20.0, 50.0, 59.9),
        (20.0, 50.0, 110.1),
    ],
)
def test_air_just_beyond_the_limits_of_the_source_is_refused(dry_c: float, humidity: float, kpa: float) -> None:
    with pytest.raises(OutsideSourceRange):
        wet_bulb_c(dry_c, humidity, kpa)


# calc, inputs at its limits, the same just beyond
LIMITS = [
    (saturation_vapour_pressure_kpa, (-100.0,), (-100.1,)),
    (saturation_vapour_pressure_kpa, (200.0,), (200.1,)),
    (saturated_humidity_ratio, (-40.0, 101.0), (-40.1, 101.0)),
    (saturated_humidity_ratio, (60.0, 101.0), (60.1, 101.0)),
    (saturated_humidity_ratio, (20.0, 60.0), (20.0, 59.9)),
    (saturated_humidity_ratio, (20.0, 110.0), (20.0, 110.1)),
    (humidity_ratio_of_wet_bulb, (60.0, 40.0, 101.0), (60.1, 40.0, 101.0)),
    (humidity_ratio_of_wet_bulb, (60.0, 60.0, 101.0), (60.3, 60.2, 101.0)),
    (humidity_ratio_of_wet_bulb, (-40.0, -40.0, 101.0), (-39.9, -40.1, 101.0)),
    (humidity_ratio_of_wet_bulb, (20.0, 15.0, 60.0), (20.0, 15.0, 59.9)),
    (humidity_ratio_of_wet_bulb, (20.0, 15.0, 110.0), (20.0, 15.0, 110.1)),
]


@pytest.mark.parametrize(("calc", "at", "beyond"), LIMITS)
def test_moist_air_is_answered_up_to_its_limits_and_refused_beyond(
    calc: Callable[..., float], at: tuple[float, ...], beyond: tuple[float, ...]
) -> None:
    assert math.isfinite(calc(*at))
    with pytest.raises(OutsideSourceRange):
        calc(*beyond)


@pytest.mark.parametrize("kpa", [60.0, 101.325, 110.0])
@pytest.mark.parametrize("humidity", [0.0, 0.5, 10.0, 60.0, 100.0])
def test_the_wet_bulb_gives_back_the_humidity_it_was_worked_out_from(humidity: float, kpa: float) -> None:
    """Eq. 20 for the moisture, eq. 33 and 35 back: Newton's steps settle to the last digits everywhere, 60 °C dry air too."""
    dry_c = np.linspace(-37.5, 60.0, 40)
    vapour_kpa = humidity / 100 * saturation_vapour_pressure_kpa(dry_c)
    moisture = 0.621945 * vapour_kpa / (kpa - vapour_kpa)
    wet_c = wet_bulb_c(dry_c, np.full_like(dry_c, humidity), np.full_like(dry_c, kpa))
    back = humidity_ratio_of_wet_bulb(dry_c, np.minimum(wet_c, dry_c), np.full_like(dry_c, kpa))
    assert np.isfinite(back).all()
    assert np.abs(back - moisture).max() < 1e-13


@pytest.mark.parametrize("dry_c", [0.5, 10.0, 30.0])
def test_a_wick_at_exactly_0_degrees_is_wet_and_not_iced(dry_c: float) -> None:
    """Eq. 33 holds from 0 °C of wet bulb up, eq. 35 below; psychrolib takes ice's pressure up to 0.01 °C."""
    oracle = psychrolib.GetHumRatioFromTWetBulb(dry_c, 0.0, 97_000.0)
    if oracle > psychrolib.MIN_HUM_RATIO:
        assert humidity_ratio_of_wet_bulb(dry_c, 0.0, 97.0) == pytest.approx(oracle, rel=2e-4)
    assert humidity_ratio_of_wet_bulb(0.5, 0.0, 97.0) > humidity_ratio_of_wet_bulb(10.0, 0.0, 97.0)


@pytest.mark.parametrize("kpa", [60.0, 101.325])
def test_saturated_air_has_its_dry_bulb_for_wet_bulb_and_rounding_lifts_it_never_above(kpa: float) -> None:
    dry_c = np.linspace(-40.0, 60.0, 401)
    found = wet_bulb_c(dry_c, np.full_like(dry_c, 100.0), np.full_like(dry_c, kpa))
    assert (found <= dry_c).all()
    assert found == pytest.approx(dry_c, abs=1e-9)


def test_at_exactly_0_degrees_the_pressure_is_that_over_water() -> None:
    """IAPWS-IF97: 0.61121 kPa; over ice it is 0.61115."""
    over_water = IAPWS97(T=273.15, x=0).P * 1_000
    assert saturation_vapour_pressure_kpa(0.0) == pytest.approx(over_water, rel=1e-5)
    assert saturation_vapour_pressure_kpa(np.array([0.0, -5.0]))[0] == pytest.approx(over_water, rel=1e-5)
