"""What each fault does to the plant, and what it does not."""

from __future__ import annotations

import pytest

from plantview.model.plant import Plant
from plantview.simulator.faults import UnknownFault, parse_fault
from plantview.simulator.plant import SimulatedPlant
from tests.simulation.plant_days import MORNING_MS, run_hours

pytestmark = pytest.mark.timeout(60)


def test_a_tripped_headered_pump_is_replaced_by_the_standby_and_the_chillers_keep_running(larkfield: Plant) -> None:
    simulated = SimulatedPlant(larkfield, MORNING_MS)
    pumps = simulated.machines.pumps
    victim = next(name for name in ("CWP-1", "CWP-2", "CWP-3") if pumps[name].running)
    standby = next(name for name in ("CWP-1", "CWP-2", "CWP-3") if not pumps[name].running)
    running = [name for name, chiller in simulated.machines.chillers.items() if chiller.panel.mode == "RUN"]
    simulated.inject(parse_fault(f"pump-trip:{victim}@10"))
    run_hours(simulated, 0.1)
    reported = simulated.reported()
    assert (reported[f"{victim}.command"], reported[f"{victim}.status"]) == (0.0, 0.0)
    assert reported[f"{standby}.status"] == 1.0
    assert [name for name, chiller in simulated.machines.chillers.items() if chiller.panel.mode == "RUN"] == running


def test_a_tripped_pump_is_first_seen_commanded_and_not_running(larkfield: Plant) -> None:
    simulated = SimulatedPlant(larkfield, MORNING_MS)
    victim = next(name for name in ("PCHWP-1", "PCHWP-2", "PCHWP-3") if simulated.machines.pumps[name].running)
    simulated.inject(parse_fault(f"pump-trip:{victim}"))
    seen = set()
    for _ in range(60):
        simulated.step(1.0)
        reported = simulated.reported()
        seen.add((reported[f"{victim}.command"], reported[f"{victim}.status"]))
    assert (1.0, 0.0) in seen


@pytest.mark.parametrize("pump", ["CWP-1", "CHWP-1"])
def test_a_tripped_dedicated_pump_stops_its_chiller_on_loss_of_flow(orchard: Plant, pump: str) -> None:
    simulated = SimulatedPlant(orchard, MORNING_MS)
    simulated.inject(parse_fault(f"pump-trip:{pump}@30+300"))
    run_hours(simulated, 0.05)
    reported = simulated.reported()
    words = orchard.points["CH-1.mode"].states
    assert words[int(reported["CH-1.mode"])] == "FAULT"
    assert reported["CH-1.fault"] == 1.0
    assert reported["CH-1.status"] == 0.0
    assert reported["CH-1.power"] == pytest.approx(0.0, abs=0.5)
    proof = "cw_flow_proof" if pump == "CWP-1" else "chw_flow_proof"
    assert reported[f"CH-1.{proof}"] == 0.0
    run_hours(simulated, 0.6)  # the crew resets the panel, the controller tries again
    assert words[int(simulated.reported()["CH-1.mode"])] == "RUN"
    assert simulated.truth.open_balances() == []


def test_a_fouled_condenser_raises_its_approach_head_pressure_and_power_and_no_other_machine_s(
    larkfield: Plant,
) -> None:
    """Directions: ASHRAE RP-1043, condenser tubes plugged (approach, head and power up, evaporator approach as before)."""
    clean, fouled = SimulatedPlant(larkfield, MORNING_MS), SimulatedPlant(larkfield, MORNING_MS)
    fouled.inject(parse_fault("fouled-condenser:CH-1:0.45"))
    for simulated in (clean, fouled):
        run_hours(simulated, 0.5)
    before, after = (item.machines.chillers["CH-1"] for item in (clean, fouled))
    assert before.panel.mode == after.panel.mode == "RUN"
    assert after.cond_sat_c - after.condenser.out_c > 2 * (before.cond_sat_c - before.condenser.out_c)
    assert after.pressures_kpa()[1] > 1.02 * before.pressures_kpa()[1]
    assert 1.03 < after.power_kw / before.power_kw < 1.2
    assert after.evaporator.out_c - after.evap_sat_c == pytest.approx(
        before.evaporator.out_c - before.evap_sat_c, abs=0.05
    )
    other = "CH-2" if clean.machines.chillers["CH-2"].panel.mode == "RUN" else "CH-3"
    neighbours = [item.machines.chillers[other] for item in (clean, fouled)]
    assert neighbours[1].power_kw / neighbours[0].power_kw == pytest.approx(1.0, abs=0.02)
    assert fouled.truth.open_balances() == []


def test_a_biased_sensor_changes_its_reading_and_nothing_else(larkfield: Plant) -> None:
    right, wrong = SimulatedPlant(larkfield, MORNING_MS), SimulatedPlant(larkfield, MORNING_MS)
    wrong.inject(parse_fault("sensor-bias:CH-1.chws_temp:+1.5@60+600"))
    differences: list[float] = []
    for _ in range(12):
        for simulated in (right, wrong):
            simulated.step(60.0)
        here, there = right.reported(), wrong.reported()
        differences.append(there["CH-1.chws_temp"] - here["CH-1.chws_temp"])
        assert {name: value for name, value in here.items() if name != "CH-1.chws_temp"} == {
            name: value for name, value in there.items() if name != "CH-1.chws_temp"
        }
    assert differences == pytest.approx(
        [1.5] * 10 + [0.0] * 2, abs=0.11
    )  # counted from the injection, one digit is 0.1


def test_a_stuck_sensor_stands_still_to_the_digit_while_the_plant_moves_on(larkfield: Plant) -> None:
    simulated = SimulatedPlant(larkfield, MORNING_MS)
    simulated.inject(parse_fault("stuck-sensor:CH-1.power"))
    readings = set()
    for _ in range(30):
        simulated.step(60.0)
        readings.add(simulated.reported()["CH-1.power"])
    assert len(readings) == 1
    assert simulated.machines.chillers["CH-1"].power_kw != pytest.approx(readings.pop(), abs=0.5)


def test_a_fault_on_something_the_plant_does_not_have_is_refused_and_changes_nothing(larkfield: Plant) -> None:
    simulated = SimulatedPlant(larkfield, MORNING_MS)
    with pytest.raises(UnknownFault, match="no pump 'CWP-9'"):
        simulated.inject(parse_fault("pump-trip:CWP-9"))
    simulated.step(1.0)
    assert not any(pump.tripped for pump in simulated.machines.pumps.values())
