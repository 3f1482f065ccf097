"""Saturation of chiller refrigerants.

Implementation: polynomials in plantview.calcs.refrigerant. Oracles: pressures printed to the
digit below (computed with CoolProp 8.0.0 HEOS, psia at °F); CoolProp asked again in between;
normal boiling points and R-134a at round temperatures as data sheets print them (from memory,
to their last digit), which are independent of the library the fit was made with.
"""

from __future__ import annotations

from itertools import pairwise

import numpy as np
import pytest
from CoolProp.CoolProp import PropsSI

from plantview.calcs import refrigerant as ours
from plantview.calcs.refrigerant import (
    ESTIMATED,
    HIGH_C,
    LOW_C,
    REFRIGERANTS,
    absolute_kpaa,
    saturation_at_altitude_c,
    saturation_c,
    saturation_pressure_kpaa,
)
from plantview.errors import OutsideSourceRange

KPA_PER_PSI = 6.894757293168
# psia at 40, 42, 44, 95, 97, 100 °F
PRINTED = {
    "R-134a": (49.741, 51.701, 53.718, 128.646, 132.658, 138.852),
    "R-513A": (54.53, 56.59, 58.70, 135.69, 139.76, 146.03),
    "R-1234ze(E)": (36.88, 38.36, 39.88, 96.80, 99.86, 104.60),
    "R-1233zd(E)": (8.518, 8.924, 9.346, 26.648, 27.641, 29.184),
    "R-123": (5.778, 6.066, 6.365, 18.931, 19.664, 20.805),
}
AT_F = (40, 42, 44, 95, 97, 100)
ROWS = [(name, at_f, psia) for name, row in PRINTED.items() for at_f, psia in zip(AT_F, row, strict=True)]
TOLERANCE_PSI = 0.006
COOLPROP = {
    "R-134a": "R134a",
    "R-513A": "R513A.mix",
    "R-1234ze(E)": "R1234ze(E)",
    "R-1233zd(E)": "R1233zd(E)",
    "R-123": "R123",
    "R-514A": "HEOS::R1336mzz(Z)[0.63566]&R1130(E)[0.36434]",
}
ESTIMATED_PSIA = [(40, 5.30), (42, 5.57), (97, 18.68), (100, 19.79)]
"""R-514A as a mixture of 74.7 / 25.3 % by mass; nobody measured it here."""


@pytest.mark.parametrize(("refrigerant", "at_f", "psia"), ROWS)
def test_saturation_pressure_agrees_with_the_printed_table(refrigerant: str, at_f: float, psia: float) -> None:
    found = saturation_pressure_kpaa((at_f - 32) / 1.8, refrigerant) / KPA_PER_PSI
    assert found == pytest.approx(psia, rel=0, abs=TOLERANCE_PSI)


@pytest.mark.parametrize(("refrigerant", "at_f", "psia"), ROWS)
def test_saturation_temperature_agrees_with_the_printed_table(refrigerant: str, at_f: float, psia: float) -> None:
    found_f = saturation_c(psia * KPA_PER_PSI, refrigerant) * 1.8 + 32
    assert found_f == pytest.approx(at_f, rel=0, abs=0.02)


def test_the_tolerance_can_tell_neighbouring_rows_and_refrigerants_apart() -> None:
    pressures = sorted(psia for _, _, psia in ROWS)
    gaps = [b - a for a, b in pairwise(pressures)]
    assert min(gaps) > 10 * TOLERANCE_PSI


@pytest.mark.parametrize(("psig", "at_f"), [(118.0, 97.019), (37.0, 41.995), (120.6, 98.290)])
def test_gauge_readings_of_r134a_at_sea_level(psig: float, at_f: float) -> None:
    found_f = saturation_c(absolute_kpaa(psig * KPA_PER_PSI, 101.325), "R-134a") * 1.8 + 32
    assert found_f == pytest.approx(at_f, rel=0, abs=0.02)


def test_one_gauge_reading_means_another_temperature_at_altitude() -> None:
    at_sea, at_mile = (
        saturation_c(absolute_kpaa(12.945 * KPA_PER_PSI, psia * KPA_PER_PSI), "R-1233zd(E)") * 1.8 + 32
        for psia in (14.696, 12.100)
    )
    assert at_sea == pytest.approx(97.0, abs=0.05)
    assert at_mile == pytest.approx(91.6, abs=0.1)


def test_the_altitude_of_the_site_stands_in_for_a_barometer() -> None:
    """12.945 psig of R-1233zd(E): 97.0 °F at the sea, 91.6 °F at 5,280 ft (printed with the table above)."""
    at_sea, at_mile = (
        saturation_at_altitude_c(12.945 * KPA_PER_PSI, feet * 0.3048, "R-1233zd(E)") * 1.8 + 32 for feet in (0, 5_280)
    )
    assert at_sea == pytest.approx(97.0, abs=0.05)
    assert at_mile == pytest.approx(91.6, abs=0.05)
    assert saturation_at_altitude_c(200.0, 0.0, "R-513A", bubble=True) < saturation_at_altitude_c(200.0, 0.0, "R-513A")


@pytest.mark.parametrize(("refrigerant", "moved_k"), [("R-1233zd(E)", 1.2), ("R-134a", 0.25)])
def test_what_the_weather_is_worth_on_an_evaporator(refrigerant: str, moved_k: float) -> None:
    kpa = saturation_pressure_kpaa(5.6, refrigerant)
    assert saturation_c(kpa + 3.0, refrigerant) - 5.6 == pytest.approx(moved_k, rel=0.1)


@pytest.mark.parametrize(("at_f", "psia"), ESTIMATED_PSIA)
def test_an_estimated_refrigerant_is_what_its_mixture_gives_and_says_so(at_f: float, psia: float) -> None:
    assert saturation_pressure_kpaa((at_f - 32) / 1.8, "R-514A") / KPA_PER_PSI == pytest.approx(psia, abs=0.008)
    assert "estimate" in ESTIMATED["R-514A"]
    assert set(ESTIMATED) < set(REFRIGERANTS)


def test_two_percent_of_an_estimated_pressure_are_the_kelvins_that_it_names() -> None:
    moved = [
        saturation_c(saturation_pressure_kpaa(at_c, "R-514A") * 1.02, "R-514A") - at_c for at_c in (0.0, 20.0, 45.0)
    ]
    assert 0.4 < max(moved) <= 0.62


# normal boiling point, °C, as data sheets print it (from memory)
BOILING_C = {"R-134a": -26.07, "R-1234ze(E)": -18.97, "R-1233zd(E)": 18.26, "R-123": 27.82}


@pytest.mark.parametrize("refrigerant", [name for name, at_c in BOILING_C.items() if at_c > LOW_C])
def test_normal_boiling_points_agree_with_data_sheets(refrigerant: str) -> None:
    """Equations of state of one refrigerant differ: 0.13 K between two of R-1233zd(E)."""
    assert saturation_c(101.325, refrigerant) == pytest.approx(BOILING_C[refrigerant], abs=0.15)


@pytest.mark.parametrize(("at_c", "kpa"), [(0.0, 292.8), (20.0, 571.7), (40.0, 1_016.6), (60.0, 1_681.8)])
def test_r134a_agrees_with_its_steam_table_at_round_temperatures(at_c: float, kpa: float) -> None:
    """Saturation pressures as printed in R-134a property tables (from memory)."""
    assert saturation_pressure_kpaa(at_c, "R-134a") == pytest.approx(kpa, rel=4e-4)


@pytest.mark.parametrize("refrigerant", REFRIGERANTS)
@pytest.mark.parametrize("bubble", [False, True])
def test_the_fit_keeps_the_error_that_it_states_over_its_whole_range(refrigerant: str, bubble: bool) -> None:
    quality = 0 if bubble else 1
    for at_c in np.linspace(LOW_C, HIGH_C, 32):
        kpa = PropsSI("P", "T", at_c + 273.15, "Q", quality, COOLPROP[refrigerant]) / 1_000
        if at_c not in (LOW_C, HIGH_C):  # the ends of the table are rounded
            assert saturation_c(kpa, refrigerant, bubble=bubble) == pytest.approx(at_c, rel=0, abs=0.005)
        assert saturation_pressure_kpaa(float(at_c), refrigerant, bubble=bubble) == pytest.approx(kpa, rel=1e-4)


def test_a_zeotrope_boils_and_condenses_at_two_temperatures() -> None:
    bubble, dew = (saturation_c(400.0, "R-513A", bubble=each) for each in (True, False))
    assert 0 < dew - bubble < 0.05


@pytest.mark.parametrize("kpa", [10.0, 2_200.0])
def test_a_pressure_beyond_the_source_is_refused_not_clamped(kpa: float) -> None:
    with pytest.raises(OutsideSourceRange, match="R-134a pressure"):
        saturation_c(kpa, "R-134a")


def test_an_unknown_refrigerant_is_refused_with_the_known_ones() -> None:
    with pytest.raises(OutsideSourceRange, match=r"R-22.*R-134a"):
        saturation_c(500.0, "R-22")


@pytest.mark.parametrize("refrigerant", REFRIGERANTS)
@pytest.mark.parametrize("bubble", [False, True])
def test_the_fit_made_again_gives_the_same_coefficients(refrigerant: str, bubble: bool) -> None:
    """No digit is from memory: CoolProp every 0.25 K from -20 to 70 °C, fifth degree both ways."""
    curve = ours._CURVES[refrigerant][bubble]
    at_c = np.arange(LOW_C, HIGH_C + 0.001, 0.25)
    kpa = (
        np.array([PropsSI("P", "T", t + 273.15, "Q", 0 if bubble else 1, COOLPROP[refrigerant]) for t in at_c]) / 1_000
    )
    shape = np.log(kpa / 500.0)
    there = np.polynomial.polynomial.polyfit(shape, at_c, 5)
    back = np.polynomial.polynomial.polyfit((at_c - 25.0) / 50.0, shape, 5)
    assert list(curve.temperature_c) == pytest.approx(list(there), rel=1e-4)
    assert list(curve.log_pressure) == pytest.approx(list(back), rel=1e-4)
    assert (curve.low_kpaa, curve.high_kpaa) == pytest.approx((kpa[0], kpa[-1]), rel=1e-5)
