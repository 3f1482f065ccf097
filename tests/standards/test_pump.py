"""Pump power in the trade's units.

Implementation: plantview.calcs.pump. Oracles: gpm × ft / 3960 hydraulic horsepower (common
practice), 2.31 ft of water per psi, affinity laws; worked by hand. NPSH: handbook
atmospheres and the vapour pressure of IAPWS-97 (iapws), which the implementation does not use.
"""

from __future__ import annotations

import pytest
from iapws import IAPWS97

from plantview.calcs.pump import (
    affinity_flow_l_s,
    affinity_head_kpa,
    affinity_power_kw,
    hydraulic_power_kw,
    npsh_available_m,
    pump_heat_kw,
    wire_to_water_pct,
)

L_S_PER_GPM = 3.785411784 / 60
KPA_PER_FT = 33_000 / 3_960 * 1_728 / 231 / 144 * 6.894757293168  # of the 8.3333 lb/gal that 3960 has in mind
KW_PER_HP = 0.745699872


@pytest.mark.parametrize(("gpm", "feet", "horsepower"), [(1_000, 100, 25.253), (2_400, 75, 45.455)])
def test_hydraulic_horsepower(gpm: float, feet: float, horsepower: float) -> None:
    found = hydraulic_power_kw(gpm * L_S_PER_GPM, feet * KPA_PER_FT) / KW_PER_HP
    assert found == pytest.approx(horsepower, rel=0, abs=0.001)


@pytest.mark.parametrize(("gpm", "feet", "power_kw", "percent"), [(1_000, 100, 25.6, 73.56), (2_400, 75, 48.0, 70.62)])
def test_wire_to_water(gpm: float, feet: float, power_kw: float, percent: float) -> None:
    found = wire_to_water_pct(gpm * L_S_PER_GPM, feet * KPA_PER_FT, power_kw)
    assert found == pytest.approx(percent, rel=0, abs=0.01)


def test_affinity_from_60_to_48_hertz() -> None:
    assert affinity_flow_l_s(1.0, 0.8) == pytest.approx(0.8, abs=1e-9)
    assert affinity_head_kpa(1.0, 0.8) == pytest.approx(0.64, abs=1e-9)
    assert affinity_power_kw(1.0, 0.8) == pytest.approx(0.512, abs=1e-9)


# station psia, feet above the eye, feet lost, °F, NPSH available in feet of that water
SUCTIONS = [(14.696, 5, 4, 85, 33.66), (12.100, 5, 4, 85, 27.65)]


@pytest.mark.parametrize(("psia", "above_ft", "lost_ft", "at_f", "expected_ft"), SUCTIONS)
def test_npsh_available_from_a_tower_basin(
    psia: float, above_ft: float, lost_ft: float, at_f: float, expected_ft: float
) -> None:
    found = npsh_available_m(psia * 6.894757293168, above_ft * 0.3048, lost_ft * 0.3048, (at_f - 32) / 1.8) / 0.3048
    assert found == pytest.approx(expected_ft, rel=0, abs=0.015)


@pytest.mark.parametrize("at_c", [10.0, 29.44, 45.0])
def test_npsh_agrees_with_the_vapour_pressure_of_iapws(at_c: float) -> None:
    water, boiling = IAPWS97(T=at_c + 273.15, P=0.1), IAPWS97(T=at_c + 273.15, x=0)
    oracle = (95.0 - boiling.P * 1_000) * 1_000 / (water.rho * 9.80665) + 2.0 - 1.5
    assert npsh_available_m(95.0, 2.0, 1.5, at_c) == pytest.approx(oracle, rel=0, abs=0.003)


def test_the_heat_that_a_pump_leaves_in_its_water() -> None:
    """30 kW, motor 90 %, pump 80 %: 5.4 kW, as worked in a published audit guide of Singapore."""
    assert pump_heat_kw(30.0, 90.0, 80.0) == pytest.approx(5.4)
