"""Energy and mass of the simulated plants close, and a balance that does not close is found.

Common practice, no source: 0.1 % on energy. Every side of a balance is counted where water goes
in and out or at a meter, storage by what is there; no side is worked out from the other.
"""

from __future__ import annotations

import pytest

from plantview.model.plant import Plant
from plantview.simulator import chiller, hydraulics
from plantview.simulator.hydraulics import Path
from plantview.simulator.plant import SimulatedPlant
from tests.simulation.plant_days import MIDNIGHT_MS, MORNING_MS, run_hours


@pytest.mark.timeout(60)
@pytest.mark.parametrize("name", ["larkfield", "orchard"])
@pytest.mark.parametrize("cold", [False, True])
def test_energy_and_mass_close_over_hours_started_warm_or_cold(
    name: str, cold: bool, request: pytest.FixtureRequest
) -> None:
    plant: Plant = request.getfixturevalue(name)
    simulated = SimulatedPlant(plant, MORNING_MS, cold=cold)
    for _ in range(4):
        run_hours(simulated, 1)
        assert [str(balance) for balance in simulated.truth.open_balances()] == []
    energies = simulated.truth.energies_kwh()
    assert sum(energies[f"{item.id}.power"] for item in plant.of_kind("chiller")) > 200
    assert all(circuit.unsolved_steps == 0 for circuit in simulated.machines.circuits.values())


@pytest.mark.timeout(60)
def test_long_steps_tell_the_same_day_as_short_ones(larkfield: Plant) -> None:
    """From early morning, over a stage change: what nobody watches second by second may be stepped coarsely."""
    runs = [SimulatedPlant(larkfield, MIDNIGHT_MS + 9 * 3_600_000, coarse=coarse) for coarse in (False, True)]
    for simulated in runs:
        run_hours(simulated, 2)
    fine, coarse = (simulated.truth.energies_kwh() for simulated in runs)
    used = [name for name, kwh in fine.items() if name.endswith((".power", ".air")) and kwh > 50]
    assert len(used) >= 6
    assert {name: coarse[name] for name in used} == pytest.approx({name: fine[name] for name in used}, rel=0.005)
    assert sum(coarse[name] for name in used) == pytest.approx(sum(fine[name] for name in used), rel=0.001)
    modes = [[chiller.panel.mode for chiller in simulated.machines.chillers.values()] for simulated in runs]
    assert modes[0] == modes[1]


def test_the_balances_name_what_the_published_truth_must_satisfy(larkfield: Plant) -> None:
    names = [balance.name for balance in SimulatedPlant(larkfield, MORNING_MS).truth.balances()]
    assert "CH-1 evaporator + power = condenser" in names
    assert "cw condensers + pumps = towers + storage" in names
    assert "chw coils + pumps = evaporators + storage" in names
    assert any(name.startswith("mass at") for name in names)


def test_heat_made_from_nothing_in_a_condenser_is_found(larkfield: Plant, monkeypatch: pytest.MonkeyPatch) -> None:
    right = chiller.condenser_heat_kw
    simulated = SimulatedPlant(larkfield, MORNING_MS)
    monkeypatch.setattr(chiller, "condenser_heat_kw", lambda evaporator, power: 1.02 * right(evaporator, power))
    run_hours(simulated, 0.5)
    opened = {balance.name: balance for balance in simulated.truth.open_balances()}
    assert "CH-1 evaporator + power = condenser" in opened
    balance = opened["CH-1 evaporator + power = condenser"]
    assert balance.gap / balance.taken == pytest.approx(-0.02 / 1.02, abs=0.001)


def test_heat_lost_between_towers_and_basin_is_found(larkfield: Plant, monkeypatch: pytest.MonkeyPatch) -> None:
    from plantview.simulator.cell import Cell

    right = Cell.carry
    simulated = SimulatedPlant(larkfield, MORNING_MS)

    def leaky(cell: Cell, flow: float, enthalpy: float, dt_s: float) -> float:
        return enthalpy - 1.02 * (enthalpy - right(cell, flow, enthalpy, dt_s))

    monkeypatch.setattr(Cell, "carry", leaky)
    run_hours(simulated, 0.5)
    assert "cw condensers + pumps = towers + storage" in [balance.name for balance in simulated.truth.open_balances()]


def test_water_made_from_nothing_is_found_at_its_header(larkfield: Plant, monkeypatch: pytest.MonkeyPatch) -> None:
    right = hydraulics.solve
    simulated = SimulatedPlant(larkfield, MORNING_MS)

    def leaky(paths: list[Path], pressures: list[float], datum: int, datum_kpa: float) -> bool:
        done = right(paths, pressures, datum, datum_kpa)
        paths[0].flow *= 1.001
        return done

    monkeypatch.setattr("plantview.simulator.circuit.solve", leaky)
    run_hours(simulated, 0.01)
    assert any(balance.name.startswith("mass at") for balance in simulated.truth.open_balances())


def test_the_flows_of_the_truth_sum_to_zero_at_every_header(larkfield: Plant) -> None:
    simulated = SimulatedPlant(larkfield, MORNING_MS)
    flows = simulated.truth.flows_l_s()
    primary = sum(flows[f"chw/chillers/{number}"] for number in range(3))
    secondary = sum(flows[f"chw/secondary-pumps/{number}"] for number in range(2))
    assert primary == pytest.approx(secondary + flows["chw/decoupler"], rel=1e-3)
    towers = sum(flows[f"cw/towers/{number}"] for number in range(3))
    condensers = sum(flows[f"cw/cw-pumps/{number}"] for number in range(3))
    assert condensers == pytest.approx(towers + flows["cw/tower-bypass"], rel=2e-3)  # the water is warmer there
