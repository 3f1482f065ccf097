"""Water and glycol properties against second libraries.

Implementation: polynomials in plantview.calcs.water. Oracles: IAPWS-95 and IAPWS-IF97 as
implemented by the package iapws (the polynomials were fitted with another library); for
glycol the factors published for the same fits, and their known spread.
"""

from __future__ import annotations

import math
from itertools import pairwise

import numpy as np
import pytest
from CoolProp.CoolProp import PropsSI
from iapws import IAPWS95, IAPWS97

from plantview.calcs import water
from plantview.calcs.water import density_kg_m3, enthalpy_kj_kg, freezing_c, heat_capacity_kj_kg_k
from plantview.errors import OutsideSourceRange

PRESSURE_MPA = 0.4
TEMPERATURES_C = (0.01, 2.5, 7.0, 12.0, 20.0, 29.4, 35.0, 47.0, 60.0)


@pytest.mark.parametrize("at_c", TEMPERATURES_C)
def test_density_and_heat_capacity_agree_with_iapws_95_of_another_library(at_c: float) -> None:
    oracle = IAPWS95(T=at_c + 273.15, P=PRESSURE_MPA)
    assert density_kg_m3(at_c) == pytest.approx(oracle.rho, rel=1e-5)
    assert heat_capacity_kj_kg_k(at_c) == pytest.approx(oracle.cp, rel=3e-5)


@pytest.mark.parametrize("at_c", TEMPERATURES_C)
def test_industrial_formulation_differs_by_no_more_than_its_own_uncertainty(at_c: float) -> None:
    oracle = IAPWS97(T=at_c + 273.15, P=PRESSURE_MPA)
    assert density_kg_m3(at_c) == pytest.approx(oracle.rho, rel=2e-5)
    assert heat_capacity_kj_kg_k(at_c) == pytest.approx(oracle.cp, rel=6e-4)


@pytest.mark.parametrize(("cold_c", "hot_c"), [(6.67, 12.22), (29.44, 35.0), (0.01, 60.0)])
def test_enthalpy_difference_agrees_with_iapws_95(cold_c: float, hot_c: float) -> None:
    oracle = IAPWS95(T=hot_c + 273.15, P=PRESSURE_MPA).h - IAPWS95(T=cold_c + 273.15, P=PRESSURE_MPA).h
    assert enthalpy_kj_kg(hot_c) - enthalpy_kj_kg(cold_c) == pytest.approx(oracle, rel=5e-5)


@pytest.mark.parametrize("pressure_mpa", [0.1, 0.8])
def test_other_loop_pressures_move_the_heat_by_less_than_0_04_percent(pressure_mpa: float) -> None:
    hot, cold = (IAPWS95(T=at_c + 273.15, P=pressure_mpa) for at_c in (12.0, 7.0))
    ours = density_kg_m3(7.0) * (enthalpy_kj_kg(12.0) - enthalpy_kj_kg(7.0))
    assert ours == pytest.approx(cold.rho * (hot.h - cold.h), rel=4e-4)


def test_the_tolerance_can_tell_temperatures_half_a_kelvin_apart() -> None:
    near, far = density_kg_m3(12.0), density_kg_m3(12.5)
    assert abs(near - far) / near > 3 * 1e-5


# (glycol, mass %, °F, Btu/h per gpm·°F) computed with CoolProp 8.0.0 INCOMP, fits after Melinder (2010)
GLYCOL_FACTORS = [
    ("MEG 25 %", 44, 467.90),
    ("MEG 30 %", 44, 458.81),
    ("MEG 30 %", 85, 463.17),
    ("MPG 25 %", 44, 476.17),
    ("MPG 30 %", 44, 470.34),
    ("MPG 30 %", 85, 473.22),
]
# (°F, Btu/h per gpm·°F) computed with CoolProp 8.0.0 at 401.3 kPa
WATER_FACTORS = [(44, 502.346), (54, 501.006), (60, 500.309), (85, 497.781), (95, 496.814)]
LB_KG, GAL_M3, BTU_KJ = 0.45359237, 3.785411784e-3, 1.05505585262


def factor_btu_h_per_gpm_f(at_f: float, fluid: str = "water") -> float:
    """Return the "500" of the trade as our properties give it."""
    at_c = (at_f - 32) / 1.8
    return density_kg_m3(at_c, fluid) * GAL_M3 * 60 * heat_capacity_kj_kg_k(at_c, fluid) / BTU_KJ / 1.8


@pytest.mark.parametrize(("at_f", "expected"), WATER_FACTORS)
def test_the_500_of_the_trade_comes_out_for_water(at_f: float, expected: float) -> None:
    assert factor_btu_h_per_gpm_f(at_f) == pytest.approx(expected, rel=0, abs=0.02)


@pytest.mark.parametrize(("fluid", "at_f", "expected"), GLYCOL_FACTORS)
def test_the_500_of_the_trade_comes_out_for_glycol(fluid: str, at_f: float, expected: float) -> None:
    assert factor_btu_h_per_gpm_f(at_f, fluid) == pytest.approx(expected, rel=0, abs=0.05)


def test_glycol_factors_are_told_apart_by_their_tolerance() -> None:
    factors = sorted(expected for _, _, expected in GLYCOL_FACTORS)
    assert min(b - a for a, b in pairwise(factors)) > 10 * 0.05


def test_water_beyond_60_degrees_is_refused_not_clamped() -> None:
    with pytest.raises(OutsideSourceRange, match="water temperature"):
        density_kg_m3(60.1)
    with pytest.raises(OutsideSourceRange):
        enthalpy_kj_kg(-0.1)


def test_in_a_row_only_the_impossible_minute_is_blanked() -> None:
    found = density_kg_m3(np.array([7.0, 99.0, math.nan]))
    assert found[0] == density_kg_m3(7.0)
    assert np.isnan(found[1:]).all()


def test_glycol_may_be_colder_than_water_may() -> None:
    assert density_kg_m3(-5.0, "MEG 30 %") > 1_040.0
    with pytest.raises(OutsideSourceRange):
        density_kg_m3(-5.0)


@pytest.mark.parametrize("fluid", ["brine", "MEG", "MEG 0 %", "MEG 75 %", "MPG x %"])
def test_an_unknown_fluid_is_refused_with_the_words_that_would_do(fluid: str) -> None:
    with pytest.raises(OutsideSourceRange, match="MEG 25 %"):
        density_kg_m3(20.0, fluid)


# glycol, freezing point °C by Melinder's fits
FREEZING = [("MEG 25 %", -10.97), ("MEG 30 %", -14.58), ("MPG 25 %", -9.79), ("MPG 30 %", -12.79)]


@pytest.mark.parametrize(("fluid", "expected_c"), FREEZING)
def test_freezing_points(fluid: str, expected_c: float) -> None:
    assert freezing_c(fluid) == pytest.approx(expected_c, rel=0, abs=0.006)
    assert freezing_c("water") == 0.0


@pytest.mark.parametrize("name", ["MEG", "MPG"])
@pytest.mark.parametrize("percent", [2.0, 10.0, 25.0, 33.3, 47.0, 60.0])
def test_glycol_agrees_with_the_mixtures_it_was_fitted_to(name: str, percent: float) -> None:
    mixture, fluid = f"INCOMP::{name}[{percent / 100:.6f}]", f"{name} {percent} %"
    freezing = PropsSI("T_FREEZE", "T", 300.0, "P", 4e5, mixture) - 273.15
    assert freezing_c(fluid) == pytest.approx(freezing, rel=0, abs=1e-6)
    for at_c in np.linspace(max(freezing + 0.6, -30.0), 60.0, 7):
        assert density_kg_m3(float(at_c), fluid) == pytest.approx(
            PropsSI("D", "T", at_c + 273.15, "P", 4e5, mixture), rel=1e-8
        )
        cp = PropsSI("C", "T", at_c + 273.15, "P", 4e5, mixture) / 1_000
        assert heat_capacity_kj_kg_k(float(at_c), fluid) == pytest.approx(cp, rel=1e-8)


def test_the_fit_of_water_made_again_gives_the_same_coefficients() -> None:
    """No digit is from memory: CoolProp at 400 kPa every 0.25 K from 0 to 60 °C, fifth degree in t/50 °C."""
    at_c = np.arange(0.0, 60.001, 0.25)
    for key, per, ours in (("D", 1.0, water._WATER.density_kg_m3), ("C", 1_000.0, water._WATER.cp_kj_kg_k)):
        values = [PropsSI(key, "T", t + 273.15, "P", 4e5, "Water") / per for t in at_c]
        again = np.polynomial.polynomial.polyfit(at_c / 50.0, values, 5)
        assert list(ours) == pytest.approx(list(again), rel=1e-6)


def test_glycol_freezes_where_its_properties_end() -> None:
    for fluid in ("MEG 30 %", "MPG 30 %"):
        assert density_kg_m3(freezing_c(fluid) + 0.51, fluid) > 1_000
        with pytest.raises(OutsideSourceRange):
            density_kg_m3(freezing_c(fluid) + 0.49, fluid)


def test_the_pressure_that_is_named_is_the_one_that_was_fitted() -> None:
    """1 % of the loop's pressure moves density by two in the seventh digit; the fit tells it apart."""
    at_c = np.arange(0.0, 60.001, 0.25)
    pascal = 1_000 * water.LOOP_PRESSURE_KPAA
    again = np.polynomial.polynomial.polyfit(
        at_c / 50.0, [PropsSI("D", "T", t + 273.15, "P", pascal, "Water") for t in at_c], 5
    )
    assert water._WATER.density_kg_m3[0] == pytest.approx(again[0], rel=1e-9)


@pytest.mark.parametrize("fluid", ["water", "MEG 30 %", "MPG 45 %"])
def test_heat_content_is_counted_from_0_degrees(fluid: str) -> None:
    assert enthalpy_kj_kg(0.0, fluid) == 0.0


@pytest.mark.parametrize("name", ["MEG", "MPG"])
def test_glycol_is_answered_up_to_60_percent_and_refused_beyond(name: str) -> None:
    assert freezing_c(f"{name} 60 %") < -45.0
    with pytest.raises(OutsideSourceRange, match=r"mass concentration up to 60 %, such as"):
        freezing_c(f"{name} 60.5 %")


def test_a_trace_of_glycol_lowers_freezing_as_its_molecules_do() -> None:
    """Cryoscopic constant of water 1.858 K·kg/mol, ethylene glycol 62.07 g/mol: 5 g in 995 g."""
    assert freezing_c("MEG 0.5 %") == pytest.approx(-1.858 * 5 / 62.07 / 0.995, rel=0.03)
