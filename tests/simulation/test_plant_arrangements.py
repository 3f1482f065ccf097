"""Every arrangement that the simulator models runs and closes; every other one is refused by name."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace
from pathlib import Path

import pytest

from plantview.errors import ConfigError
from plantview.model.plant import Equipment, Plant
from plantview.simulator.plant import SimulatedPlant
from tests.shapes import read_shape
from tests.simulation.plant_days import MORNING_MS, run_hours

pytestmark = pytest.mark.timeout(120)

MODELLED = [
    "smallest",
    "two dedicated",
    "four by three dedicated",
    "three headered with four-fan cells",
    "three primary secondary",
    "six primary secondary",
    "tertiary",
    "series counterflow",
    "twelve chillers",
    "variable primary with economiser",
]
REFUSED = [("air cooled", "condenser"), ("heat recovery", "recovery")]
EXCHANGER: Mapping[str, float] = {
    "capacity": 1_500.0,
    "warm_flow": 120.0,
    "cool_flow": 114.0,
    "warm_dp": 45.0,
    "cool_dp": 45.0,
    "approach": 1.5,
}
LIKE: Mapping[str, str] = {
    "chiller": "CH-1",
    "tower_cell": "CT-1",
    "fan": "CT-1-FAN",
    "coil": "AHU-N1",
    "valve": "V-TB",
}


def dressed(plant: Plant, model: Plant) -> Plant:
    """Return the plant with the sizes of another one's machines, and weather and load to match."""
    chillers = len(plant.of_kind("chiller"))
    equipment = {name: _like(item, model, plant, chillers) for name, item in plant.equipment.items()}
    for cell in plant.of_kind("tower_cell"):  # a tower without a fan cannot carry the load
        if not plant.parts_of(cell.id, "fan"):
            equipment[f"{cell.id}-FAN"] = replace(model.equipment[LIKE["fan"]], id=f"{cell.id}-FAN", part_of=cell.id)
    load = {"load_low": 900.0 * chillers, "load_high": 1_800.0 * chillers}
    return replace(plant, equipment=equipment, simulation={**model.simulation, **load}, zone=model.zone)


def _like(item: Equipment, model: Plant, plant: Plant, chillers: int) -> Equipment:
    if item.kind == "pump":
        name = (
            "CWP-1"
            if item.id.startswith("CWP")
            else "SCHWP-1"
            if item.id.startswith(("CHWP", "SCH", "TCH"))
            else "PCHWP-1"
        )
    elif item.kind in LIKE:
        name = LIKE[item.kind]
    elif item.kind == "heat_exchanger":
        return replace(item, design=EXCHANGER)
    else:
        return item
    pattern = model.equipment[name]
    design = dict(pattern.design)
    if item.kind == "coil":  # so many coils carry the whole load
        share = 2_300.0 * chillers / len(plant.of_kind("coil")) / design["cooling_capacity"]
        design = {**design, "cooling_capacity": design["cooling_capacity"] * share, "flow": design["flow"] * share}
    if item.kind == "tower_cell":
        share = chillers / len(plant.of_kind("tower_cell"))
        design = {
            **design,
            "water_flow": design["water_flow"] * share,
            "min_water_flow": design["min_water_flow"] * share,
        }
    return replace(item, design=design, traits={**pattern.traits, **item.traits})


@pytest.mark.parametrize("name", MODELLED)
def test_the_arrangement_cools_and_its_balances_close(name: str, larkfield: Plant, tmp_path: Path) -> None:
    read, _ = read_shape(name, tmp_path)
    assert read is not None
    simulated = SimulatedPlant(dressed(read, larkfield), MORNING_MS)
    run_hours(simulated, 0.2)
    chillers = simulated.machines.chillers.values()
    asked_kw = sum(simulated.machines.coil_loads_kw.values())
    assert sum(coil.water.heat_kw for coil in simulated.machines.coils.values()) == pytest.approx(asked_kw, rel=0.1)
    assert any(chiller.panel.mode == "RUN" for chiller in chillers)
    assert [str(balance) for balance in simulated.truth.open_balances()] == []
    assert all(circuit.unsolved_steps == 0 for circuit in simulated.machines.circuits.values())


@pytest.mark.parametrize(("name", "named"), REFUSED)
def test_an_arrangement_that_is_not_modelled_is_refused_by_name(
    name: str, named: str, larkfield: Plant, tmp_path: Path
) -> None:
    read, _ = read_shape(name, tmp_path)
    assert read is not None
    with pytest.raises(ConfigError) as refused:
        SimulatedPlant(dressed(read, larkfield), MORNING_MS)
    assert named in str(refused.value)
