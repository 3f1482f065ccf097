"""Chiller curves of the simulated plant against published performance.

Oracle: EnergyPlus 22.1 Engineering Reference equations 14.234 and 14.240 evaluated by an
independent program with cp 4.186 kJ/kg.K for the sets ReformulatedEIR 2317 kW 6.33 COP VSD
(condenser 113.56 kg/s) and EIR 1055 kW 5.96 COP vanes; power as printed, tolerance its last digit.
"""

from __future__ import annotations

import pytest

from plantview.config import load_plant
from plantview.simulator.curves import AIR_COOLED, INLET_VANES, VARIABLE_SPEED, Curves, believable_kw
from plantview.simulator.plant import SimulatedPlant
from tests.conftest import CHECKOUT
from tests.simulation.plant_days import MORNING_MS

CONDENSER_KW_K = 113.56 * 4.186
KW_PER_TON = 3.5168528

# CHWS °C, CWS °C, load / Qref, CWR °C, available kW, PLR, power kW
REFORMULATED = [
    (6.67, 29.44, 1.00, 35.050, 2376.0, 0.9753, 349.17),
    (6.67, 29.44, 0.75, 33.664, 2392.5, 0.7264, 269.89),
    (6.67, 26.67, 0.75, 30.819, 2413.3, 0.7202, 234.40),
    (6.67, 23.89, 0.50, 26.645, 2411.4, 0.4805, 151.16),
    (6.67, 21.11, 0.25, 22.511, 2371.7, 0.2443, 86.42),
    (8.89, 29.44, 0.75, 33.644, 2613.7, 0.6650, 260.44),
]
ENTERING = [
    (6.67, 29.44, 1.0, 178.205),
    (6.67, 26.67, 0.75, 120.324),
    (6.67, 23.89, 0.5, 81.862),
    (6.67, 18.33, 0.25, 50.111),
]


def solved(curves: Curves, chws_c: float, cws_c: float, load_kw: float) -> tuple[float, float]:
    """Return leaving condenser water and power, found together."""
    leaving_c, power_kw = cws_c + 4.0, 0.0
    for _ in range(60):
        power_kw = curves.power_kw(load_kw, chws_c, leaving_c if curves.leaving_condenser else cws_c)
        leaving_c = cws_c + (load_kw + power_kw) / CONDENSER_KW_K
    return leaving_c, power_kw


@pytest.mark.parametrize(("chws_c", "cws_c", "share", "cwr_c", "available_kw", "plr", "power_kw"), REFORMULATED)
def test_the_variable_speed_set_gives_the_published_power(
    chws_c: float, cws_c: float, share: float, cwr_c: float, available_kw: float, plr: float, power_kw: float
) -> None:
    load_kw = share * VARIABLE_SPEED.capacity_kw
    leaving_c, power = solved(VARIABLE_SPEED, chws_c, cws_c, load_kw)
    available = VARIABLE_SPEED.available_kw(chws_c, leaving_c)
    assert leaving_c == pytest.approx(cwr_c, rel=0, abs=1e-3)
    assert available == pytest.approx(available_kw, rel=0, abs=0.1)
    assert load_kw / available == pytest.approx(plr, rel=0, abs=1e-4)
    assert power == pytest.approx(power_kw, rel=0, abs=0.1)


@pytest.mark.parametrize(("chws_c", "cws_c", "share", "power_kw"), ENTERING)
def test_the_inlet_vane_set_gives_the_published_power(
    chws_c: float, cws_c: float, share: float, power_kw: float
) -> None:
    assert INLET_VANES.power_kw(share * 1_055, chws_c, cws_c) == pytest.approx(power_kw, rel=0, abs=1e-3)


def test_the_tolerance_tells_one_percent_of_load_apart() -> None:
    here = solved(VARIABLE_SPEED, 6.67, 29.44, 0.75 * VARIABLE_SPEED.capacity_kw)[1]
    beside = solved(VARIABLE_SPEED, 6.67, 29.44, 0.76 * VARIABLE_SPEED.capacity_kw)[1]
    assert abs(beside - here) > 1.0


@pytest.mark.parametrize(("curves", "cws_range_c"), [(VARIABLE_SPEED, (21.5, 29.0)), (INLET_VANES, (15.0, 26.5))])
def test_the_sets_are_believable_over_the_range_in_which_the_simulator_uses_them(
    curves: Curves, cws_range_c: tuple[float, float]
) -> None:
    """kW/ton between 0.35 and 1.2 for PLR 0.25 to 1 and rising with condenser water (common practice, no source)."""
    low, high = cws_range_c
    for quarter in range(25, 101, 5):
        load_kw = curves.capacity_kw * quarter / 100
        last = 0.0
        for step in range(21):
            _, power_kw = solved(curves, 6.67, low + (high - low) * step / 20, load_kw)
            efficiency = power_kw / load_kw * KW_PER_TON
            assert 0.35 < efficiency < 1.2
            assert efficiency > last
            last = efficiency


def test_scaling_keeps_the_efficiency_and_the_power_ratio_changes_it_alone() -> None:
    half = VARIABLE_SPEED.scaled(VARIABLE_SPEED.capacity_kw / 2)
    worse = VARIABLE_SPEED.scaled(VARIABLE_SPEED.capacity_kw, power_ratio=1.1)
    whole_kw = VARIABLE_SPEED.power_kw(1_500, 6.67, 32.0)
    assert half.power_kw(750, 6.67, 32.0) == pytest.approx(whole_kw / 2, rel=1e-12)
    assert worse.power_kw(1_500, 6.67, 32.0) == pytest.approx(1.1 * whole_kw, rel=1e-12)


@pytest.mark.parametrize("folder", ["larkfield", "orchard", "millrace"])
def test_every_machine_is_believable_from_its_least_condenser_water_to_its_design_and_rises_with_it(
    folder: str,
) -> None:
    """kW/ton between 0.35 and 1.2 from a quarter of the load up (common practice, no source)."""
    simulated = SimulatedPlant(load_plant(CHECKOUT / "config" / folder), MORNING_MS)
    for name, chiller in simulated.machines.chillers.items():
        rating, curves, design = chiller.rating, chiller.curves, simulated.plant.equipment[name].design
        rate = chiller.condenser.design_flow * 4.18
        low_c = design.get("min_cws_temp", design["chws_temp"] + design.get("min_lift", 7.0) - 2.0)
        for quarter in range(25, 101, 15):
            load_kw = rating.capacity_kw * quarter / 100
            last = 0.0
            for step in range(21):
                cws_c = low_c + (design["cws_temp"] - low_c) * step / 20
                power_kw, water_c = rating.power_kw, cws_c
                for _ in range(40):
                    water_c = cws_c + (load_kw + power_kw) / rate if curves.leaving_condenser else cws_c
                    water_c = min(max(water_c, curves.condenser_c[0]), curves.condenser_c[1])
                    power_kw = curves.power_kw(load_kw, rating.chws_c, water_c)
                efficiency = believable_kw(power_kw, load_kw, rating.capacity_kw) / load_kw * KW_PER_TON
                assert 0.35 < efficiency < 1.2, (name, quarter, cws_c)
                # the vane set is flat to 0.03 % at a quarter of its load above 28 degC
                assert efficiency > 0.9995 * last or water_c == curves.condenser_c[0], (name, quarter, cws_c)
                last = efficiency


@pytest.mark.parametrize(("share", "kw_per_ton"), [(1.0, 0.53), (0.75, 0.546), (0.5, 0.459)])
def test_the_bounds_leave_the_published_points_where_they_are(share: float, kw_per_ton: float) -> None:
    load_kw = share * VARIABLE_SPEED.capacity_kw
    power_kw = kw_per_ton / KW_PER_TON * load_kw
    assert believable_kw(power_kw, load_kw, VARIABLE_SPEED.capacity_kw) == pytest.approx(power_kw, rel=0.004)


def test_the_air_cooled_set_is_one_at_its_reference_point_and_rises_with_outdoor_air() -> None:
    """Oracle: a normalised curve set is 1 at its rating point (6.67 degC leaving, 35 degC air) but for rounding."""
    assert AIR_COOLED.available_kw(6.67, 35.0) == pytest.approx(AIR_COOLED.capacity_kw, rel=0.002)
    full_kw = AIR_COOLED.power_kw(AIR_COOLED.capacity_kw, 6.67, 35.0)
    assert full_kw == pytest.approx(AIR_COOLED.capacity_kw / AIR_COOLED.cop, rel=0.003)
    for share in (0.25, 0.5, 0.75, 0.95):
        ratios = [
            AIR_COOLED.power_kw(share * AIR_COOLED.capacity_kw, 6.67, float(air_c)) / share / AIR_COOLED.capacity_kw
            for air_c in range(24, 36)
        ]
        assert ratios == sorted(ratios)
        assert 0.5 < ratios[0] * KW_PER_TON < ratios[-1] * KW_PER_TON < 1.2
