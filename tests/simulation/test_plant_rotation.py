"""Who leads, who follows, who takes over: chillers and pumps over weeks and after failures."""

from __future__ import annotations

import pytest

from plantview.model.plant import Plant
from plantview.simulator.plant import SimulatedPlant
from plantview.simulator.staging import ROTATE_S
from tests.simulation.plant_days import MIDNIGHT_MS, MORNING_MS, run_hours

pytestmark = pytest.mark.timeout(60)


def test_a_machine_that_ran_for_a_week_gives_way_to_one_with_fewer_hours_and_the_buildings_do_not_feel_it(
    larkfield: Plant,
) -> None:
    simulated = SimulatedPlant(larkfield, MIDNIGHT_MS)
    staging, chillers = simulated.controller.staging, simulated.machines.chillers
    before = [name for name, item in chillers.items() if item.panel.mode == "RUN"]
    assert before == ["CH-1", "CH-2"]
    chillers["CH-1"].run_hours, chillers["CH-2"].run_hours, chillers["CH-3"].run_hours = 9_000, 5_000, 4_000
    run_hours(simulated, 0.5)
    assert [name for name, item in chillers.items() if item.panel.mode == "RUN"] == before, "not before its time"
    staging._without_stop_s["CH-1"] = ROTATE_S
    together, warmest_k = 0, 0.0
    supply = simulated.machines.circuits["chw"].by_name["chw-supply"]
    for _ in range(90):
        run_hours(simulated, 1 / 60)
        together += sum(item.panel.mode == "RUN" for item in chillers.values()) == 3
        warmest_k = max(warmest_k, supply.temp_c - simulated.controller.setpoint_c)
    assert [name for name, item in chillers.items() if item.panel.mode == "RUN"] == ["CH-2", "CH-3"]
    assert 1 <= together < 30
    assert warmest_k < 2.1 / 1.8


def test_a_pump_that_ran_for_a_week_gives_way_and_its_follower_turns_first(larkfield: Plant) -> None:
    simulated = SimulatedPlant(larkfield, MIDNIGHT_MS)
    header = next(item for item in simulated.controller.headers if item.group.id == "cw-pumps")
    pumps = {name: simulated.machines.pumps[name] for name in header.group.pumps}
    running = [name for name, pump in pumps.items() if pump.running]
    assert len(running) == 2
    idle = next(name for name in pumps if name not in running)
    pumps[running[0]].run_hours, pumps[running[1]].run_hours, pumps[idle].run_hours = 9_000, 8_000, 4_000
    header.without_stop_s[running[0]] = ROTATE_S
    least = 3
    for _ in range(300):
        simulated.step(1.0)
        least = min(least, sum(pump.running for pump in pumps.values()))
    assert least == 2, "never one short"
    assert [name for name, pump in pumps.items() if pump.running] == sorted([running[1], idle])
    assert all(item.panel.mode in {"RUN", "OFF"} for item in simulated.machines.chillers.values())


def test_a_tripped_machine_is_replaced_by_an_idle_one(larkfield: Plant) -> None:
    simulated = SimulatedPlant(larkfield, MORNING_MS)
    chillers = simulated.machines.chillers
    victim = next(name for name, item in chillers.items() if item.panel.mode == "RUN")
    idle = next(name for name, item in chillers.items() if item.panel.mode == "OFF")
    chillers[victim].panel.tripped = 6
    run_hours(simulated, 0.24)
    assert chillers[victim].panel.mode == "FAULT"
    assert chillers[idle].panel.mode == "RUN"


def test_a_machine_that_was_stopped_says_how_long_it_must_rest(orchard: Plant) -> None:
    """Common practice, no source: 15 min from start to start and 3 min from stop to start."""
    simulated = SimulatedPlant(orchard, MORNING_MS)
    simulated.command("CH-1.enable", 0.0)
    run_hours(simulated, 0.02)
    simulated.step(30.0)
    chiller = simulated.machines.chillers["CH-1"]
    assert chiller.panel.mode == "RESTART INHIBIT"
    left = chiller.panel.restart_left_s
    assert 0 < left <= 180
    simulated.step(20.0)
    assert chiller.panel.restart_left_s == pytest.approx(left - 20, abs=2.1)
