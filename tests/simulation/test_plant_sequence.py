"""Start and stop order, commands from outside, and what the devices report."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import replace

import pytest

from plantview.errors import ConfigError
from plantview.model.plant import Plant
from plantview.simulator.plant import SimulatedPlant
from tests.simulation.plant_days import MORNING_MS, run_hours

pytestmark = pytest.mark.timeout(60)


def first_second(
    simulated: SimulatedPlant, facts: dict[str, Callable[[], bool]], limit_s: int = 1_200
) -> dict[str, int]:
    """Return the second at which each fact was first true."""
    seen: dict[str, int] = {}
    for second in range(limit_s):
        simulated.step(1.0)
        for name, fact in facts.items():
            if name not in seen and fact():
                seen[name] = second
        if len(seen) == len(facts):
            break
    return seen


@pytest.mark.parametrize("name", ["larkfield", "orchard"])
def test_from_cold_valves_open_pumps_prove_flow_proves_and_only_then_the_chiller_is_enabled(
    name: str, request: pytest.FixtureRequest
) -> None:
    """Start order: ASHRAE Guideline 36-2021 5.20.2.4, as documented with its public Modelica implementation."""
    plant: Plant = request.getfixturevalue(name)
    simulated = SimulatedPlant(plant, MORNING_MS, cold=True)
    machines = simulated.machines
    assert not any(pump.running for pump in machines.pumps.values())
    simulated.step(1.0)
    chiller = next(train.chiller for train in simulated.controller.trains if train.wanted)
    layout = next(train.layout for train in simulated.controller.trains if train.wanted)
    order = first_second(
        simulated,
        {
            "valves": lambda: all(machines.valves[valve].position_pct > 40 for valve in layout.valves),
            "pumps": lambda: sum(pump.running for pump in machines.pumps.values()) >= 2,
            "flows": lambda: chiller.chw_switch.closed and chiller.cw_switch.closed,
            "enabled": lambda: chiller.enabled,
            "starting": lambda: chiller.panel.mode == "STARTING",
            "running": lambda: chiller.panel.mode == "RUN",
        },
    )
    assert list(order) == ["valves", "pumps", "flows", "enabled", "starting", "running"]
    assert order["enabled"] - order["flows"] >= 9
    assert order["pumps"] < order["flows"] or order["pumps"] < order["enabled"]


def test_a_stage_down_stops_the_chiller_before_its_pumps_and_its_pumps_before_its_valves(larkfield: Plant) -> None:
    simulated = SimulatedPlant(larkfield, MORNING_MS)
    train = next(train for train in simulated.controller.trains if train.wanted)
    valve = simulated.machines.valves[train.layout.valves[0]]
    simulated.command(f"{train.id}.enable", 0.0)
    order = first_second(
        simulated,
        {
            "stopping": lambda: train.chiller.panel.mode == "STOPPING",
            "unloaded": lambda: train.chiller.power_kw == 0.0,
            "at rest": lambda: train.chiller.panel.mode == "RESTART INHIBIT",
        },
    )
    assert list(order) == ["stopping", "unloaded", "at rest"]
    assert valve.position_pct == 100.0  # the controller still wants it: only its enable was taken away


def test_the_two_bypass_valves_on_one_actuator_add_up_to_a_hundred(larkfield: Plant) -> None:
    simulated = SimulatedPlant(larkfield, MORNING_MS)
    valves = simulated.machines.valves
    for command, seconds in ((30.0, 20), (80.0, 40), (None, 60)):
        simulated.command("V-TB.command", command)
        for _ in range(seconds):
            simulated.step(1.0)
            assert valves["V-TB"].position_pct + valves["V-TWR"].position_pct == pytest.approx(100.0)
    flows = simulated.truth.flows_l_s()
    assert flows["cw/tower-bypass"] >= 0


def test_an_open_bypass_takes_water_past_the_towers(larkfield: Plant) -> None:
    simulated = SimulatedPlant(larkfield, MORNING_MS)
    before = simulated.truth.flows_l_s()
    simulated.command("V-TB.command", 50.0)
    run_hours(simulated, 0.1)
    after = simulated.truth.flows_l_s()
    assert before["cw/tower-bypass"] == 0.0
    assert after["cw/tower-bypass"] > 20.0
    assert sum(after[f"cw/towers/{n}"] for n in range(3)) < sum(before[f"cw/towers/{n}"] for n in range(3))


def test_a_setpoint_from_outside_moves_the_supply_and_its_release_brings_it_back(orchard: Plant) -> None:
    simulated = SimulatedPlant(orchard, MORNING_MS)
    supply = simulated.machines.circuits["chw"].by_name["chw-supply"]
    simulated.command("chw-supply.setpoint", 8.0)
    run_hours(simulated, 0.5)
    assert supply.temp_c == pytest.approx(8.0, abs=0.2)
    assert simulated.reported()["CH-1.active_setpoint"] == pytest.approx(8.0)
    simulated.command("chw-supply.setpoint", None)
    run_hours(simulated, 0.5)
    assert supply.temp_c == pytest.approx(6.67, abs=0.2)


def test_a_point_that_cannot_be_commanded_is_refused_by_name(orchard: Plant) -> None:
    simulated = SimulatedPlant(orchard, MORNING_MS)
    for name in ("CH-1.chws_temp", "CH-9.enable"):
        with pytest.raises(KeyError, match=name):
            simulated.command(name, 1.0)
    with pytest.raises(ValueError, match=r"chw-supply\.setpoint"):
        simulated.command("chw-supply.setpoint", math.nan)


@pytest.mark.parametrize("name", ["larkfield", "orchard"])
def test_every_point_has_a_number_inside_its_own_range(name: str, request: pytest.FixtureRequest) -> None:
    plant: Plant = request.getfixturevalue(name)
    simulated = SimulatedPlant(plant, MORNING_MS)
    for _ in range(3):
        simulated.step(5.0)
        reported = simulated.reported()
        assert set(reported) == set(plant.points)
        for point, value in reported.items():
            known = plant.points[point]
            assert math.isfinite(value)
            assert known.low <= value <= known.high, point
            if known.states:
                assert int(value) in known.states, point


def test_the_same_seed_gives_the_same_plant_and_another_seed_another(orchard: Plant) -> None:
    def reports(seed: int) -> dict[str, float]:
        simulated = SimulatedPlant(orchard, MORNING_MS, seed)
        simulated.step(10.0)
        return dict(simulated.reported())

    assert reports(4) == reports(4)
    assert reports(4) != reports(5)


def test_two_looks_at_one_moment_see_the_same_numbers(orchard: Plant) -> None:
    simulated = SimulatedPlant(orchard, MORNING_MS)
    assert simulated.reported() == simulated.reported()


def test_a_served_measurement_that_is_not_modelled_is_refused_by_its_name(orchard: Plant) -> None:
    odd = replace(orchard.points["CT-BASIN.level"], name="CT-BASIN.colour", measurement="colour")
    served = replace(orchard, points={**orchard.points, odd.name: odd})
    with pytest.raises(ConfigError) as refused:
        SimulatedPlant(served, MORNING_MS)
    assert [problem.place for problem in refused.value.problems] == ["CT-BASIN.colour"]


def test_missing_design_data_and_strange_machines_are_all_listed_at_once(orchard: Plant) -> None:
    chiller = orchard.equipment["CH-1"]
    bare = replace(chiller, design={}, traits={**chiller.traits, "refrigerant": "R-11"})
    pump = replace(orchard.equipment["CHWP-1"], design={})
    with pytest.raises(ConfigError) as refused:
        SimulatedPlant(replace(orchard, equipment={**orchard.equipment, "CH-1": bare, "CHWP-1": pump}), MORNING_MS)
    places = [problem.place for problem in refused.value.problems]
    assert {"equipment.CH-1", "equipment.CHWP-1"} <= set(places)
