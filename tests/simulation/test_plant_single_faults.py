"""What single faults of pumps, valves, switches, meters and people look like at the points."""

from __future__ import annotations

import math
from dataclasses import replace

import pytest

from plantview.model.plant import Plant
from plantview.simulator.faults import parse_fault
from plantview.simulator.ledger import Ledger
from plantview.simulator.plant import SimulatedPlant
from plantview.simulator.water import enthalpy_kj_kg
from tests.simulation.plant_days import MORNING_MS, run_hours

pytestmark = pytest.mark.timeout(60)


def broken(plant: Plant, *faults: str, hours: float = 0.1, cold: bool = False) -> SimulatedPlant:
    simulated = SimulatedPlant(plant, MORNING_MS, cold=cold)
    for fault in faults:
        simulated.inject(parse_fault(fault))
    run_hours(simulated, hours)
    return simulated


def test_a_flow_switch_held_open_leaves_the_right_machine_waiting_by_the_right_name(orchard: Plant) -> None:
    """Order: ASHRAE Guideline 36-2021 5.20.2.4: the chiller is enabled after its flows are proven, never before."""
    simulated = broken(orchard, "flow-switch-open:CH-1.chw_flow_proof", cold=True, hours=0.04)
    reported = simulated.reported()
    assert orchard.points["CH-1.chw_flow_proof"].states[int(reported["CH-1.chw_flow_proof"])] == "NO FLOW"
    assert orchard.points["CH-1.cw_flow_proof"].states[int(reported["CH-1.cw_flow_proof"])] == "FLOW"
    assert reported["CHWP-1.status"] == 1.0
    assert reported["CH-1.enable"] == 0.0
    run_hours(simulated, 0.03)
    assert simulated.controller.trains[0].state == "failed"
    simulated.command("CH-1.enable", 1.0)  # somebody enables it all the same
    run_hours(simulated, 0.05)
    assert orchard.points["CH-1.mode"].states[int(simulated.reported()["CH-1.mode"])] == "WAITING FOR FLOW"
    assert simulated.reported()["CH-1.power"] == pytest.approx(0.0, abs=0.5)


def test_a_machine_whose_flow_does_not_prove_is_replaced_by_another(larkfield: Plant) -> None:
    simulated = SimulatedPlant(larkfield, MORNING_MS, cold=True)
    simulated.step(2.0)
    first = next(train.id for train in simulated.controller.trains if train.wanted)
    simulated.inject(parse_fault(f"flow-switch-open:{first}.cw_flow_proof"))
    run_hours(simulated, 0.25)
    modes = {name: chiller.panel.mode for name, chiller in simulated.machines.chillers.items()}
    assert modes.pop(first) == "OFF"
    assert "RUN" in modes.values()


def test_a_stuck_valve_stays_where_it_is_whatever_is_commanded(larkfield: Plant) -> None:
    simulated = broken(larkfield, "valve-stuck:V-TB:35", hours=0.03)
    simulated.command("V-TB.command", 80.0)
    run_hours(simulated, 0.03)
    assert simulated.reported()["V-TB.position"] == pytest.approx(35.0, abs=0.2)
    assert simulated.truth.flows_l_s()["cw/tower-bypass"] > 10.0


def test_a_drive_in_hand_turns_though_nobody_calls_for_it_and_its_switch_says_so(larkfield: Plant) -> None:
    simulated = SimulatedPlant(larkfield, MORNING_MS)
    idle = next(
        name for name in ("SCHWP-1", "SCHWP-2", "CWP-3", "PCHWP-3") if not simulated.machines.pumps[name].running
    )
    simulated.inject(parse_fault(f"drive-in-hand:{idle}"))
    run_hours(simulated, 0.03)
    reported = simulated.reported()
    assert (reported[f"{idle}.command"], reported[f"{idle}.status"]) == (0.0, 1.0)


def test_a_leaking_isolation_valve_lets_water_through_an_idle_machine_though_it_says_shut(larkfield: Plant) -> None:
    simulated = SimulatedPlant(larkfield, MORNING_MS)
    idle = next(name for name, chiller in simulated.machines.chillers.items() if chiller.panel.mode == "OFF")
    simulated.inject(parse_fault(f"valve-leaking:V-CH{idle[-1]}:20"))
    run_hours(simulated, 0.05)
    reported = simulated.reported()
    assert reported[f"V-CH{idle[-1]}.position"] < 1.0
    assert simulated.machines.chillers[idle].evaporator.flow > 5.0
    assert simulated.truth.open_balances() == []


def test_a_check_valve_that_passes_turns_water_back_through_a_standing_pump(larkfield: Plant) -> None:
    simulated = SimulatedPlant(larkfield, MORNING_MS)
    group = ["CWP-1", "CWP-2", "CWP-3"]
    idle = next(name for name in group if not simulated.machines.pumps[name].running)
    simulated.inject(parse_fault(f"check-valve-passing:{idle}"))
    run_hours(simulated, 0.03)
    place = group.index(idle)
    assert simulated.truth.flows_l_s()[f"cw/cw-pumps/{place}"] < -2.0
    assert simulated.truth.open_balances() == []


def test_a_fan_without_its_belt_runs_light_and_the_other_has_to_work(orchard: Plant) -> None:
    """Seen in two cells' fans at the same speed: status and speed as ever, a fraction of the power."""
    right, wrong = broken(orchard, hours=0.3), broken(orchard, "fan-belt-slipping:CT-1-FAN-A:1", hours=0.3)
    fan = wrong.machines.fans["CT-1-FAN-A"]
    assert fan.running
    assert fan.power_kw < 0.5 * wrong.machines.fans["CT-1-FAN-B"].power_kw
    assert wrong.machines.fans["CT-1-FAN-B"].speed_pct > right.machines.fans["CT-1-FAN-B"].speed_pct + 5


def test_water_without_make_up_falls_until_the_level_switch_says_low(orchard: Plant) -> None:
    simulated = broken(orchard, "makeup-shut:CT-BASIN", "blowdown-stuck-open:CT-BASIN", hours=3)
    basin = simulated.machines.basins["CT-BASIN"]
    assert basin.makeup_kg_s == 0.0
    assert basin.level_m < 0.9 * basin.level_setpoint_m


def test_a_basin_without_its_heater_nears_ice_in_a_cold_night_and_one_with_it_does_not(larkfield: Plant) -> None:
    frost = {**larkfield.simulation, "dry_bulb_mean": -14.0, "dry_bulb_swing": 1.0, "dew_point": -18.0}
    basin = larkfield.equipment["CT-BASIN"]
    small = replace(basin, design={**basin.design, "volume": 12.0, "level": 0.2})
    plant = replace(larkfield, simulation=frost, equipment={**larkfield.equipment, "CT-BASIN": small})
    temps = []
    for faults in ((), ("basin-heater-dead:CT-BASIN",)):
        simulated = SimulatedPlant(plant, MORNING_MS, cold=True, coarse=True)
        for fault in faults:
            simulated.inject(parse_fault(fault))
        for name in ("CH-1", "CH-2", "CH-3"):  # nothing runs: its flow switches are open
            simulated.inject(parse_fault(f"flow-switch-open:{name}.chw_flow_proof"))
        for pump in simulated.machines.pumps.values():
            pump.hand_pct = 0.0
        water = simulated.machines.basins["CT-BASIN"]
        water.water.enthalpy = enthalpy_kj_kg(5.0)
        simulated.truth = Ledger(simulated.machines)
        run_hours(simulated, 6)
        temps.append((water.water.temp_c, water.freezing))
        assert simulated.truth.open_balances() == []
    assert temps[0][0] > 4.0
    assert temps[0][1] is False
    assert temps[1][1] is True


@pytest.mark.parametrize(
    ("fault", "expected"),
    [
        ("wrong-ct-ratio:CH-1.power:0.5", 0.5),
        ("wrong-ct-ratio:CH-1.power:2", 2.0),
    ],
)
def test_a_wrong_ct_ratio_scales_the_reading_and_not_the_machine(larkfield: Plant, fault: str, expected: float) -> None:
    right, wrong = broken(larkfield), broken(larkfield, fault)
    assert wrong.reported()["CH-1.power"] / right.reported()["CH-1.power"] == pytest.approx(expected, rel=0.01)
    assert wrong.machines.chillers["CH-1"].power_kw == right.machines.chillers["CH-1"].power_kw


def test_a_meter_rolls_over_at_the_end_of_its_register_and_a_new_one_begins_at_zero(larkfield: Plant) -> None:
    simulated = broken(larkfield, "meter-rolls-over:CH-1.energy:30", hours=0.01)
    first = simulated.reported()["CH-1.energy"]
    assert 2**32 - 40 < first < 2**32
    run_hours(simulated, 0.5)
    assert 0 <= simulated.reported()["CH-1.energy"] < 500
    simulated.inject(parse_fault("meter-replaced:CH-1.energy"))
    simulated.step(2.0)
    assert simulated.reported()["CH-1.energy"] < 5


def test_swapped_sensors_change_places_and_a_wrong_unit_changes_the_number(larkfield: Plant) -> None:
    right, swapped = broken(larkfield), broken(larkfield, "sensors-swapped:CH-1.chws_temp")
    here, there = right.reported(), swapped.reported()
    assert there["CH-1.chws_temp"] == pytest.approx(here["CH-1.chwr_temp"], abs=0.3)
    assert there["CH-1.chwr_temp"] == pytest.approx(here["CH-1.chws_temp"], abs=0.3)
    celsius = broken(larkfield, "sensor-in-wrong-unit:CH-1.chws_temp").reported()["CH-1.chws_temp"]
    assert celsius == pytest.approx((here["CH-1.chws_temp"] - 32) / 1.8, abs=0.3)
    assert math.isnan(broken(larkfield, "sensor-broken:CH-1.chws_temp").reported()["CH-1.chws_temp"])


def test_a_drifting_sensor_leaves_the_truth_hour_by_hour(larkfield: Plant) -> None:
    right, drifting = SimulatedPlant(larkfield, MORNING_MS), SimulatedPlant(larkfield, MORNING_MS)
    drifting.inject(parse_fault("sensor-drift:CH-1.chws_temp:+1"))
    gaps = []
    for _ in range(12):
        for simulated in (right, drifting):
            simulated.step(600.0)
            simulated.reported()
        gaps.append(drifting.reported()["CH-1.chws_temp"] - right.reported()["CH-1.chws_temp"])
    assert gaps[5] == pytest.approx(1.0, abs=0.25)
    assert gaps[11] == pytest.approx(2.0, abs=0.25)


def test_a_changed_setpoint_yields_to_an_override_and_comes_back_when_mended(orchard: Plant) -> None:
    simulated = SimulatedPlant(orchard, MORNING_MS)
    fault = parse_fault("setpoint-changed:chw-supply.setpoint:9")
    simulated.inject(fault)
    simulated.step(2.0)
    assert simulated.controller.setpoint_c == 9.0
    simulated.command("chw-supply.setpoint", 8.0)
    simulated.step(2.0)
    assert simulated.controller.setpoint_c == 8.0
    simulated.command("chw-supply.setpoint", None)
    simulated.mend(fault)
    simulated.step(2.0)
    assert simulated.controller.setpoint_c == pytest.approx(6.67)


def test_a_machine_without_lift_hunts_and_in_the_end_trips_on_it(larkfield: Plant) -> None:
    """Common practice, no source: below its least lift a machine hunts, then its low-pressure cut-out opens."""
    simulated = broken(larkfield, hours=0.1)
    chiller = next(item for item in simulated.machines.chillers.values() if item.panel.mode == "RUN")
    chiller.rating = type(chiller.rating)(
        **{name: getattr(chiller.rating, name) for name in chiller.rating.__slots__ if name != "least_lift_k"},
        least_lift_k=90.0,
    )
    loads = []
    for _ in range(60):
        simulated.step(5.0)
        loads.append(chiller.load_kw)
        if chiller.panel.mode == "FAULT":
            break
    assert (chiller.panel.mode, chiller.panel.fault_code) == ("FAULT", 5)
    turns = sum((b - a) * (c - b) < 0 for a, b, c in zip(loads, loads[1:], loads[2:], strict=False))
    assert turns >= 4
