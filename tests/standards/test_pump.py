"""Pump power in the trade's units.

Implementation: plantview.calcs.pump. Oracles: gpm × ft / 3960 hydraulic horsepower (common
practice), 2.31 ft of water per psi, affinity laws; worked by hand.
"""

from __future__ import annotations

import pytest

from plantview.calcs.pump import (
    affinity_flow_l_s,
    affinity_head_kpa,
    affinity_power_kw,
    hydraulic_power_kw,
    wire_to_water_pct,
)

L_S_PER_GPM = 3.785411784 / 60
KPA_PER_FT = 2.98898  # a foot of water at 60 °F (999.0 kg/m³), as 3960 implies
KW_PER_HP = 0.745699872


@pytest.mark.parametrize(("gpm", "feet", "horsepower"), [(1_000, 100, 25.253), (2_400, 75, 45.455)])
def test_hydraulic_horsepower(gpm: float, feet: float, horsepower: float) -> None:
    found = hydraulic_power_kw(gpm * L_S_PER_GPM, feet * KPA_PER_FT) / KW_PER_HP
    assert found == pytest.approx(horsepower, rel=1.5e-3)


@pytest.mark.parametrize(("gpm", "feet", "power_kw", "percent"), [(1_000, 100, 25.6, 73.56), (2_400, 75, 48.0, 70.62)])
def test_wire_to_water(gpm: float, feet: float, power_kw: float, percent: float) -> None:
    found = wire_to_water_pct(gpm * L_S_PER_GPM, feet * KPA_PER_FT, power_kw)
    assert found == pytest.approx(percent, rel=1.5e-3)


def test_affinity_from_60_to_48_hertz() -> None:
    assert affinity_flow_l_s(1.0, 0.8) == pytest.approx(0.8, abs=1e-9)
    assert affinity_head_kpa(1.0, 0.8) == pytest.approx(0.64, abs=1e-9)
    assert affinity_power_kw(1.0, 0.8) == pytest.approx(0.512, abs=1e-9)
