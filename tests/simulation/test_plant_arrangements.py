"""Every arrangement of the plant description runs, cools and closes; what cannot be simulated is refused by name."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import pytest

from plantview.errors import ConfigError
from plantview.model.plant import Equipment, Plant, Port
from plantview.simulator.plant import SimulatedPlant
from tests.shapes import SHAPES, read_shape
from tests.simulation.dressing import dressed
from tests.simulation.plant_days import MIDNIGHT_MS, MORNING_MS, run_hours

HOURS_OF_A_DAY = 24


def shape_named(name: str, model: Plant, folder: Path) -> Plant:
    read, _ = read_shape(name, folder)
    assert read is not None
    return dressed(read, model)


def cooling_kw(simulated: SimulatedPlant) -> tuple[float, float]:
    """Return what the cooling coils ask for and what they get."""
    coils = {name: coil for name, coil in simulated.machines.coils.items() if not coil.heats}
    loads = simulated.machines.coil_loads_kw
    return sum(loads[name] for name in coils), sum(coil.water.heat_kw for coil in coils.values())


def isolated(plant: Plant, pattern: Equipment) -> Plant:
    """Return the plant with an isolation valve at every evaporator."""
    loop = next(loop for loop in plant.loops.values() if loop.water == "chilled")
    valves = {f"V-{item.id}": replace(pattern, id=f"V-{item.id}") for item in plant.of_kind("chiller")}
    stages = tuple(
        replace(stage, branches=tuple((*branch, Port(f"V-{branch[-1].equipment}", "")) for branch in stage.branches))
        if stage.kind == "chiller"
        else stage
        for stage in loop.stages
    )
    loops = {**plant.loops, loop.id: replace(loop, stages=stages)}
    return replace(plant, equipment={**plant.equipment, **valves}, loops=loops)


@pytest.mark.timeout(60)
@pytest.mark.parametrize("name", SHAPES)
def test_the_arrangement_cools_and_its_balances_close(name: str, larkfield: Plant, tmp_path: Path) -> None:
    simulated = SimulatedPlant(shape_named(name, larkfield, tmp_path), MORNING_MS)
    run_hours(simulated, 0.15)
    asked_kw, given_kw = cooling_kw(simulated)
    assert given_kw == pytest.approx(asked_kw, rel=0.1)
    assert any(chiller.panel.mode == "RUN" for chiller in simulated.machines.chillers.values())
    assert [str(balance) for balance in simulated.truth.open_balances()] == []
    assert all(circuit.unsolved_steps == 0 for circuit in simulated.machines.circuits.values())


@pytest.mark.long
@pytest.mark.timeout(300)
@pytest.mark.parametrize("name", SHAPES)
def test_the_arrangement_lives_a_day_without_a_trip_and_closes(name: str, larkfield: Plant, tmp_path: Path) -> None:
    simulated = SimulatedPlant(shape_named(name, larkfield, tmp_path), MIDNIGHT_MS)
    before = sum(chiller.panel.starts for chiller in simulated.machines.chillers.values())
    for _ in range(HOURS_OF_A_DAY):
        run_hours(simulated, 1)
        asked_kw, given_kw = cooling_kw(simulated)
        assert given_kw == pytest.approx(asked_kw, rel=0.1)
        assert all(chiller.panel.mode != "FAULT" for chiller in simulated.machines.chillers.values())
    starts = sum(chiller.panel.starts for chiller in simulated.machines.chillers.values()) - before
    assert starts <= 2 * len(simulated.machines.chillers)
    assert [str(balance) for balance in simulated.truth.open_balances()] == []
    assert all(circuit.unsolved_steps == 0 for circuit in simulated.machines.circuits.values())


@pytest.mark.timeout(60)
def test_an_air_cooled_machine_takes_outdoor_air_and_has_no_condenser_water(larkfield: Plant, tmp_path: Path) -> None:
    simulated = SimulatedPlant(shape_named("air cooled", larkfield, tmp_path), MORNING_MS)
    chiller = next(item for item in simulated.machines.chillers.values() if item.panel.mode == "RUN")
    assert chiller.condenser.in_c == pytest.approx(simulated.machines.air.dry_bulb_c, abs=0.1)
    assert chiller.cond_sat_c > chiller.condenser.out_c > chiller.condenser.in_c + 3
    assert 0.5 < chiller.power_kw / chiller.load_kw * 3.517 < 1.2
    assert simulated.controller.rejections == []


@pytest.mark.timeout(60)
def test_a_tank_hands_its_water_on_later(larkfield: Plant, tmp_path: Path) -> None:
    simulated = SimulatedPlant(shape_named("air cooled", larkfield, tmp_path), MORNING_MS)
    loop = simulated.machines.circuits[simulated.controller.layout.chilled]
    tank = simulated.machines.tanks["TK-1"]
    branch = next(branch for branch in loop.branches if tank in branch.stations)
    before_c, under_way_s = loop.by_name["tank-out"].temp_c, tank.kg / branch.flow
    loop.by_name["chw-return"].enthalpy += 20.0
    steps = []
    for _ in range(round(1.4 * under_way_s)):
        simulated.step(1.0)
        steps.append(loop.by_name["tank-out"].temp_c)
    first = next(second for second, temp in enumerate(steps) if temp > before_c + 0.3)
    assert under_way_s > 100
    assert 0.7 * under_way_s < first < 1.2 * under_way_s


@pytest.mark.timeout(60)
def test_recovered_heat_reaches_the_hot_coils_at_the_price_of_head_and_power(larkfield: Plant, tmp_path: Path) -> None:
    plant = shape_named("heat recovery", larkfield, tmp_path)
    simulated = SimulatedPlant(plant, MORNING_MS)
    run_hours(simulated, 0.2)
    chiller = simulated.machines.chillers["CH-1"]
    recovery = chiller.recovery
    assert recovery is not None
    heating_kw = -sum(coil.water.heat_kw for coil in simulated.machines.coils.values() if coil.heats)
    assert recovery.heat_kw == pytest.approx(heating_kw, rel=0.1)
    assert recovery.water.out_c == pytest.approx(41.0, abs=0.5)
    with_hot = chiller.cond_sat_c, chiller.power_kw / chiller.load_kw
    simulated.machines.pumps["HWP-1"].tripped = True
    run_hours(simulated, 0.2)
    assert recovery.heat_kw < 1.0
    assert with_hot[0] > chiller.cond_sat_c + 5
    assert with_hot[1] > 1.15 * chiller.power_kw / chiller.load_kw


@pytest.mark.timeout(60)
def test_chillers_in_series_share_the_load_and_the_first_leaves_warmer_water(larkfield: Plant, tmp_path: Path) -> None:
    simulated = SimulatedPlant(shape_named("series counterflow", larkfield, tmp_path), MIDNIGHT_MS + 15 * 3_600_000)
    first, second = simulated.machines.chillers.values()
    assert first.panel.mode == second.panel.mode == "RUN"
    assert first.load_kw == pytest.approx(second.load_kw, rel=0.1)
    assert first.evaporator.out_c == pytest.approx(second.evaporator.in_c, abs=0.1)
    assert first.condenser.in_c == pytest.approx(second.condenser.out_c, abs=0.1)  # condenser water the other way


@pytest.mark.timeout(120)
def test_an_economiser_beside_the_chillers_takes_all_of_the_load_in_the_cold_and_gives_it_back(
    larkfield: Plant, tmp_path: Path
) -> None:
    plant = isolated(shape_named("economiser beside", larkfield, tmp_path), larkfield.equipment["V-CH1"])
    cold = {**plant.simulation, "dry_bulb_mean": -4.0, "dry_bulb_swing": 0.5, "dew_point": -8.0, "load_high": 650.0}
    simulated = SimulatedPlant(replace(plant, simulation={**cold, "load_low": 600.0}), MIDNIGHT_MS)
    run_hours(simulated, 1.2)
    exchanger = next(iter(simulated.machines.exchangers.values()))
    machines = simulated.machines.chillers.values()
    asked_kw, given_kw = cooling_kw(simulated)
    economiser = simulated.controller.economiser
    assert (economiser.alone, economiser.opened) == (True, True)
    assert sum(chiller.power_kw for chiller in machines) == 0.0
    assert exchanger.heat_kw == pytest.approx(asked_kw, rel=0.15)
    assert given_kw == pytest.approx(asked_kw, rel=0.1)
    exchanger.fouling = 0.85  # it no longer carries the load
    run_hours(simulated, 1.0)
    assert (economiser.alone, economiser.opened) == (False, False)
    assert any(chiller.panel.mode == "RUN" for chiller in machines)
    assert simulated.truth.open_balances() == []


@pytest.mark.timeout(60)
def test_a_three_way_valve_takes_the_same_water_whatever_the_coil_needs_and_the_return_comes_back_cold(
    larkfield: Plant,
) -> None:
    """Common practice, no source: three-way coil valves are the classic cause of low delta-T at part load."""
    coils = {
        name: replace(item, traits={"valve": "three-way"})
        for name, item in larkfield.equipment.items()
        if item.kind == "coil"
    }
    simulated = {
        valve: SimulatedPlant(replace(larkfield, equipment={**larkfield.equipment, **changed}), MIDNIGHT_MS)
        for valve, changed in (("two-way", {}), ("three-way", coils))
    }
    flows = {valve: item.truth.flows_l_s()["chw/buildings/0"] for valve, item in simulated.items()}
    coils_l_s = {valve: item.machines.coils["AHU-N1"].water.flow for valve, item in simulated.items()}
    assert flows["two-way"] == pytest.approx(coils_l_s["two-way"], rel=0.01)
    assert flows["three-way"] > 1.5 * flows["two-way"]
    assert flows["three-way"] > 1.5 * coils_l_s["three-way"]
    assert simulated["three-way"].truth.open_balances() == []


def test_what_the_simulator_cannot_run_is_refused_by_name(larkfield: Plant) -> None:
    loop = larkfield.loops["chw"]
    glycol = replace(larkfield, loops={**larkfield.loops, "chw": replace(loop, fluid="MEG 25 %")})
    with pytest.raises(ConfigError, match="MEG 25 %"):
        SimulatedPlant(glycol, MORNING_MS)
    bare = replace(larkfield, loops={"chw": loop})
    with pytest.raises(ConfigError, match="condenser side"):
        SimulatedPlant(bare, MORNING_MS)
    warm = replace(larkfield.equipment["AHU-N1"], design={**larkfield.equipment["AHU-N1"].design, "chws_temp": 40.0})
    with pytest.raises(ConfigError, match=r"AHU-N1.*do not go together"):
        SimulatedPlant(replace(larkfield, equipment={**larkfield.equipment, "AHU-N1": warm}), MORNING_MS)
