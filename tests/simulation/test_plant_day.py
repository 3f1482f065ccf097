"""A day of both example plants, as a plant engineer would look at it.

Ranges are common practice for water-cooled plants of this size, no source, unless said otherwise.
"""

from __future__ import annotations

import statistics

import pytest

from plantview.model.plant import Plant
from tests.simulation.plant_days import TON_KW, Day, live_a_day

pytestmark = pytest.mark.timeout(180)


@pytest.fixture(scope="module", params=["larkfield", "orchard"])
def day(request: pytest.FixtureRequest) -> Day:
    plant: Plant = request.getfixturevalue(request.param)
    return live_a_day(plant)


def is_steady(day: Day, at: int) -> bool:
    """Return whether no chiller or train changes its mode from 15 minutes before to 3 minutes after."""
    return at >= 15 and len(set(day.modes[at - 15 : at + 4])) == 1


def test_plant_efficiency_is_between_the_bounds_all_day_and_typical_over_the_day(day: Day) -> None:
    ratios = [row["plant_kw"] / row["load_kw"] * TON_KW for row in day.rows]
    assert min(ratios) > 0.4
    assert max(ratios) < 1.2
    whole = sum(day.column("plant_kw")) / sum(day.column("load_kw")) * TON_KW
    assert 0.55 < whole < 0.80


def test_the_supply_holds_its_setpoint_within_half_a_degree_fahrenheit_when_steady(day: Day) -> None:
    errors = [row["supply_error_k"] for at, row in enumerate(day.rows) if is_steady(day, at)]
    assert len(errors) > 18 * 60
    assert max(map(abs, errors)) < 0.5 / 1.8


def test_a_stage_change_warms_the_supply_by_hardly_two_degrees_fahrenheit_and_the_buildings_by_one(day: Day) -> None:
    """2 °F: failsafe limit of ASHRAE Guideline 36-2021 5.20.4, as documented with its public Modelica implementation."""
    assert max(day.column("supply_error_k")) < 2.1 / 1.8
    assert max(row["chws_c"] - row["chws_set_c"] for row in day.rows) < 1.2 / 1.8


def test_a_pump_that_joins_moves_the_loop_pressure_by_less_than_a_quarter_of_its_setpoint(day: Day) -> None:
    assert max(row["dp_error_kpa"] for row in day.rows) < 0.25 * max(row["dp_set_kpa"] for row in day.rows)


def test_condenser_water_and_loop_pressure_hold_their_setpoints(day: Day) -> None:
    steady = [row for at, row in enumerate(day.rows) if is_steady(day, at)]
    assert statistics.pstdev(row["cws_error_k"] for row in steady) < 0.25
    assert abs(statistics.fmean(row["cws_error_k"] for row in steady)) < 0.1
    near_setpoint = [abs(row["dp_error_kpa"]) < 5 for row in steady]
    assert sum(near_setpoint) / len(near_setpoint) > 0.98


def test_water_is_warmer_where_it_comes_from_a_machine_that_gives_heat(day: Day) -> None:
    for row in day.rows:
        assert row["chwr_c"] > row["chws_c"] + 1.5
        assert row["cwr_c"] > row["cws_c"] + 0.8
        assert row["cws_c"] > row["wet_bulb_c"] + 1.0


def test_temperatures_are_those_of_a_real_plant_when_steady(day: Day) -> None:
    steady = [row for at, row in enumerate(day.rows) if is_steady(day, at)]
    for row in steady:
        assert 20.9 < row["cws_c"] < 29.5
        assert 2.0 < row["cwr_c"] - row["cws_c"] < 6.5
        assert 2.5 < row["chwr_c"] - row["chws_c"] < 7.5
        assert 2.5 < row["cws_c"] - row["wet_bulb_c"] < 6.0


def test_chillers_use_most_of_the_power_and_fans_the_least(day: Day) -> None:
    chillers, pumps, fans = (sum(day.column(name)) for name in ("chillers_kw", "pumps_kw", "fans_kw"))
    assert 0.6 < chillers / (chillers + pumps + fans) < 0.88
    assert fans < pumps


def test_machines_start_few_times_and_nothing_hunts(day: Day) -> None:
    starts = sum(
        before != "STARTING" and after == "STARTING"
        for then, now in zip(day.modes, day.modes[1:], strict=False)
        for before, after in zip(then, now, strict=True)
    )
    assert starts <= 8
    changes = sum(a != b for a, b in zip(day.column("cells_open"), day.column("cells_open")[1:], strict=False))
    assert changes <= 12
    speeds = day.column("fan_pct")
    turns = sum(
        (b - a) * (c - b) < 0 and min(abs(b - a), abs(c - b)) > 3
        for a, b, c in zip(speeds, speeds[1:], speeds[2:], strict=False)
    )
    assert turns < 24


def test_stages_follow_the_load(day: Day) -> None:
    running = day.column("running")
    heaviest = max(day.rows, key=lambda row: row["load_kw"])
    assert min(running) >= 1
    assert heaviest["running"] == max(running) == len(day.simulated.machines.chillers)


def test_the_basin_keeps_its_level_and_its_salt(day: Day) -> None:
    for basin in day.simulated.machines.basins.values():
        assert min(day.column("level_m")) > 0.85 * basin.level_setpoint_m
        assert 1_300 < basin.conductivity_us_cm < 1_700
        assert not basin.low


def test_energy_and_mass_close_over_the_day(day: Day) -> None:
    assert [str(balance) for balance in day.simulated.truth.open_balances()] == []
