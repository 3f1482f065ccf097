"""Flow from a pressure drop.

Implementation: plantview.calcs.flow. Oracles: square law by hand on data-sheet pairs; the
conversion of Cv to Kv that IEC 60534-2-1 prints; enthalpy balance of IAPWS-95 (iapws).
"""

from __future__ import annotations

import pytest
from iapws import IAPWS95

from plantview.calcs.flow import (
    barrel_flow_l_s,
    blended_temperature_c,
    mixed_temperature_c,
    valve_cv_gpm,
    valve_flow_l_s,
)
from plantview.errors import OutsideSourceRange

L_S_PER_GPM = 3.785411784 / 60
KPA_PER_PSI = 6.894757293168
KPA_PER_FT = 2.98907


@pytest.mark.parametrize(
    ("design_gpm", "design_ft", "feet", "gpm"), [(2_400, 20, 12.8, 1_920), (3_000, 25, 20.25, 2_700)]
)
def test_flow_from_barrel_drop(design_gpm: float, design_ft: float, feet: float, gpm: float) -> None:
    found = barrel_flow_l_s(feet * KPA_PER_FT, design_gpm * L_S_PER_GPM, design_ft * KPA_PER_FT)
    assert found == pytest.approx(gpm * L_S_PER_GPM, rel=1e-9)


def test_five_percent_of_drop_is_two_and_a_half_of_flow() -> None:
    assert barrel_flow_l_s(1.05, 100.0, 1.0) == pytest.approx(102.47, abs=0.005)


def test_valve_flow_by_cv() -> None:
    assert valve_flow_l_s(500.0, 4.0 * KPA_PER_PSI) == pytest.approx(1_000 * L_S_PER_GPM, rel=1e-9)


def test_the_cv_that_a_valve_shows_by_flow_and_drop() -> None:
    """Definition, IEC 60534-2-1: gpm of water at 1 psi; brine of twice the density falls through as 1 / √2."""
    assert valve_cv_gpm(1_000 * L_S_PER_GPM, 4.0 * KPA_PER_PSI) == pytest.approx(500.0, rel=1e-9)
    assert valve_cv_gpm(500 * L_S_PER_GPM, KPA_PER_PSI, 2.0) == pytest.approx(500.0 * 2**0.5, rel=1e-9)
    with pytest.raises(OutsideSourceRange, match="pressure drop"):
        valve_cv_gpm(10.0, 0.0)
    with pytest.raises(OutsideSourceRange, match="gravity"):
        valve_cv_gpm(10.0, 30.0, 0.05)


def test_valve_flow_agrees_with_the_same_valve_rated_in_kv() -> None:
    kv_m3_h = 0.865 * 500.0  # m³/h at 1 bar
    assert valve_flow_l_s(500.0, 100.0) == pytest.approx(kv_m3_h / 3.6, rel=1e-3)


def test_mixing_in_a_deficit_decoupler() -> None:
    """Primary 1000 gpm at 44 °F and 300 gpm of return at 54 °F give 46.31 °F."""
    mixed_f = mixed_temperature_c(1_000.0, (44 - 32) / 1.8, 300.0, (54 - 32) / 1.8) * 1.8 + 32
    assert mixed_f == pytest.approx(46.31, abs=0.005)


def test_mixing_agrees_with_the_enthalpy_balance() -> None:
    cold, hot = (IAPWS95(T=at_c + 273.15, P=0.4) for at_c in (1.0, 20.0))
    mass_cold, mass_hot = 100.0 * cold.rho, 50.0 * hot.rho
    enthalpy = (mass_cold * cold.h + mass_hot * hot.h) / (mass_cold + mass_hot)
    oracle_c = IAPWS95(P=0.4, h=enthalpy).T - 273.15
    assert mixed_temperature_c(100.0, 1.0, 50.0, 20.0) == pytest.approx(oracle_c, abs=0.05)


def test_a_header_blends_its_branches_by_flow() -> None:
    """1000 gpm at 44 °F, 500 gpm at 42 °F and an idle machine at 60 °F give 43.33 °F."""
    assert blended_temperature_c([1_000.0, 500.0, 0.0], [44.0, 42.0, 60.0]) == pytest.approx(43.333, abs=0.001)
    pair = mixed_temperature_c(30.0, 6.0, 10.0, 14.0)
    assert blended_temperature_c([30.0, 10.0], [6.0, 14.0]) == pytest.approx(pair)
    with pytest.raises(OutsideSourceRange):
        blended_temperature_c([0.0, 0.0], [6.0, 14.0])


def test_a_valve_without_density_and_a_barrel_without_design_are_refused() -> None:
    for gravity in (0.05, 11.0):
        with pytest.raises(OutsideSourceRange):
            valve_flow_l_s(500.0, 27.6, gravity)
    for design_kpa in (0.0, 1.1e6):
        with pytest.raises(OutsideSourceRange):
            barrel_flow_l_s(16.0, 100.0, design_kpa)
    assert barrel_flow_l_s(16.0, 100.0, 1e6) > 0


def test_a_heavier_liquid_flows_less_through_the_same_valve() -> None:
    assert valve_flow_l_s(500.0, 27.579, 1.21) == pytest.approx(valve_flow_l_s(500.0, 27.579) / 1.1)
