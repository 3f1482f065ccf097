"""Water through branches and bypasses: never a number that nobody could know, and sums that close."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING

import pytest

from plantview.derive.conditions import conditions
from plantview.derive.flows import flows
from plantview.model.operation import Basis, BranchFlow, Condition, Operation
from plantview.model.plant import Bypass
from plantview.model.reading import bad
from tests.frames import NOW_MS, Change, frame_of, silence
from tests.shapes import SHAPES, read_shape

if TYPE_CHECKING:
    from pathlib import Path

    from plantview.model.plant import Plant

GPM_L_S = 3.785411784 / 60
"""The US gallon is 231 cubic inches by definition: 3.785411784 L."""

# two chillers with two primary pumps, one secondary pump, two coils open; two condenser pumps, bypass closed
LARKFIELD_RUNS: dict[str, Change] = {
    "PCHWP-1.status": "RUN", "PCHWP-2.status": "RUN", "PCHWP-3.status": "OFF",
    "V-CH1.position": 100.0, "V-CH2.position": 100.0, "V-CH3.position": 0.0,
    "CH-1.chw_flow": 1_440.0, "CH-2.chw_flow": 1_400.0, "CH-3.chw_flow": 4.0,
    "SCHWP-1.status": "RUN", "SCHWP-2.status": "OFF", "sec-out.flow": 2_600.0,
    "AHU-N1.valve_position": 60.0, "AHU-N2.valve_position": 0.0, "AHU-S1.valve_position": 55.0, "AHU-S2.valve_position": 0.0,
    "CWP-1.status": "RUN", "CWP-2.status": "RUN", "CWP-3.status": "OFF", "cwp-out.flow": 3_600.0,
    "V-CW1.position": 100.0, "V-CW2.position": 100.0, "V-CW3.position": 0.0,
    "CH-1.cw_flow": 1_800.0, "CH-2.cw_flow": 1_800.0, "CH-3.cw_flow": 0.0,
    "V-TWR.position": 100.0, "V-TB.position": 0.0,
    "CT-1.isolation_valve": 100.0, "CT-2.isolation_valve": 100.0, "CT-3.isolation_valve": 0.0,
}  # fmt: skip

ORCHARD_RUNS: dict[str, Change] = {
    "CHWP-1.status": "RUN", "CWP-1.status": "RUN", "CH-1.chw_flow": 162.0, "CH-1.cw_flow": 198.0,
    "V-TWR.position": 100.0, "V-TB.position": 0.0, "AHU-1.valve_position": 60.0, "AHU-2.valve_position": 0.0,
}  # fmt: skip


DIGITS = 9


def rounded(flow: BranchFlow) -> BranchFlow:
    """Return a flow without the last bits of its number, for comparison as a whole."""
    return flow if flow.flow_l_s is None else replace(flow, flow_l_s=round(flow.flow_l_s, DIGITS))


def judge(plant: Plant, *changes: dict[str, Change]) -> dict[str, BranchFlow]:
    merged: dict[str, Change] = {}
    for change in changes:
        merged |= change
    frame = frame_of(plant, merged)
    return flows(plant, frame, conditions(plant, frame))


def test_every_branch_and_bypass_has_a_flow_under_its_key(larkfield: Plant) -> None:
    found = judge(larkfield, {})
    loop = larkfield.loops["chw"]
    expected = {f"chw/{stage.id}/{index}" for stage in loop.stages for index in range(len(stage.branches))}
    assert {key for key in found if key.startswith("chw/")} == expected | {"chw/decoupler"}
    assert "cw/tower-bypass" in found


def test_where_nothing_was_read_nothing_is_known(larkfield: Plant, orchard: Plant) -> None:
    for plant in (larkfield, orchard):
        assert set(judge(plant, {}).values()) == {BranchFlow(None, None, Basis.UNKNOWN)}


def test_a_metered_branch_shows_its_meter_in_litres_per_second(larkfield: Plant) -> None:
    found = judge(larkfield, LARKFIELD_RUNS)
    assert rounded(found["chw/chillers/0"]) == BranchFlow(
        round(1_440 * GPM_L_S, DIGITS), moving=True, basis=Basis.MEASURED
    )
    assert found["cw/condensers/1"].flow_l_s == pytest.approx(1_800 * GPM_L_S)


def test_the_zero_error_of_a_meter_is_no_movement(larkfield: Plant) -> None:
    standing = judge(larkfield, LARKFIELD_RUNS)["chw/chillers/2"]
    assert rounded(standing) == BranchFlow(round(4 * GPM_L_S, DIGITS), moving=False, basis=Basis.MEASURED)
    # 3 % of the 90.9 L/s design flow is 2.73 L/s, or 43.2 gpm
    assert not judge(larkfield, LARKFIELD_RUNS, {"CH-3.chw_flow": 43.0})["chw/chillers/2"].moving
    assert judge(larkfield, LARKFIELD_RUNS, {"CH-3.chw_flow": 43.5})["chw/chillers/2"].moving


def test_running_pumps_move_water_without_a_number_when_two_share_a_total(larkfield: Plant) -> None:
    found = judge(larkfield, LARKFIELD_RUNS)
    assert found["chw/primary-pumps/0"] == BranchFlow(None, moving=True, basis=Basis.INFERRED)
    assert found["chw/primary-pumps/2"] == BranchFlow(0.0, moving=False, basis=Basis.INFERRED)


def test_the_only_running_pump_of_a_stage_carries_the_stages_total(larkfield: Plant) -> None:
    found = judge(larkfield, LARKFIELD_RUNS)["chw/secondary-pumps/0"]
    assert rounded(found) == BranchFlow(round(2_600 * GPM_L_S, DIGITS), moving=True, basis=Basis.INFERRED)


@pytest.mark.parametrize(
    ("distribution_gpm", "moves"), [(2_600.0, True), (3_400.0, True), (2_850.0, False), (2_800.0, False)]
)
def test_a_decoupler_carries_production_less_distribution_with_its_sign(
    larkfield: Plant, distribution_gpm: float, moves: bool
) -> None:
    found = judge(larkfield, LARKFIELD_RUNS, {"sec-out.flow": distribution_gpm})["chw/decoupler"]
    net_l_s = (1_440 + 1_400 + 4 - distribution_gpm) * GPM_L_S
    assert rounded(found) == BranchFlow(round(net_l_s, DIGITS), moving=moves, basis=Basis.INFERRED)


def test_a_decoupler_between_two_running_sides_without_meters_is_unknown(larkfield: Plant) -> None:
    unmetered = {name: value for name, value in LARKFIELD_RUNS.items() if not name.endswith("flow")}
    assert judge(larkfield, unmetered)["chw/decoupler"] == BranchFlow(None, None, Basis.UNKNOWN)


def test_a_decoupler_takes_all_water_when_the_distribution_stands(larkfield: Plant) -> None:
    unmetered = {name: value for name, value in LARKFIELD_RUNS.items() if not name.endswith("flow")}
    found = judge(larkfield, unmetered, {"SCHWP-1.status": "OFF"})
    assert found["chw/decoupler"].moving is True
    assert found["chw/buildings/0"].moving is False


def test_known_flows_of_every_header_sum_to_zero_when_the_meters_agree(larkfield: Plant, orchard: Plant) -> None:
    for plant, runs in ((larkfield, LARKFIELD_RUNS), (orchard, ORCHARD_RUNS)):
        found = judge(plant, runs)
        closed = 0
        for loop in plant.loops.values():
            net: dict[str, float | None] = dict.fromkeys(loop.headers, 0.0)
            pipes = [(f"{loop.id}/{s.id}/{i}", s.start, s.end) for s in loop.stages for i in range(len(s.branches))]
            pipes += [(f"{loop.id}/{bypass.id}", bypass.start, bypass.end) for bypass in loop.bypasses]
            for key, start, end in pipes:
                flow_l_s = found[key].flow_l_s
                for header, sign in ((start, -1), (end, 1)):
                    before = net[header]
                    net[header] = None if before is None or flow_l_s is None else before + sign * flow_l_s
            complete = [value for value in net.values() if value is not None]
            assert complete == pytest.approx([0.0] * len(complete), abs=1e-9)
            closed += len(complete)
        assert closed >= 1, plant.id


def test_a_closed_bypass_carries_exactly_nothing_and_an_open_one_an_unknown_share(larkfield: Plant) -> None:
    closed = judge(larkfield, LARKFIELD_RUNS)["cw/tower-bypass"]
    assert closed == BranchFlow(0.0, moving=False, basis=Basis.INFERRED)
    half: dict[str, Change] = {"V-TB.position": 40.0, "V-TWR.position": 60.0}
    found = judge(larkfield, LARKFIELD_RUNS, half)
    assert found["cw/tower-bypass"] == BranchFlow(None, moving=True, basis=Basis.INFERRED)
    assert found["cw/riser-valve/0"] == BranchFlow(None, moving=True, basis=Basis.INFERRED)


def test_a_bypass_that_takes_all_water_has_the_condensers_flow(larkfield: Plant) -> None:
    all_by: dict[str, Change] = {"V-TB.position": 100.0, "V-TWR.position": 0.0}
    found = judge(larkfield, LARKFIELD_RUNS, all_by)
    assert found["cw/tower-bypass"].flow_l_s == pytest.approx(3_600 * GPM_L_S)
    assert found["cw/towers/0"].moving is False


def test_a_distribution_that_runs_alone_draws_its_water_back_through_the_decoupler(larkfield: Plant) -> None:
    unmetered = {name: value for name, value in LARKFIELD_RUNS.items() if not name.endswith("flow")}
    stopped: dict[str, Change] = {"PCHWP-1.status": "OFF", "PCHWP-2.status": "OFF"}
    found = judge(larkfield, unmetered, stopped)
    assert found["chw/chillers/0"].moving is False
    assert found["chw/buildings/0"].moving is True
    assert found["chw/decoupler"].moving is True


def test_an_open_ring_that_nothing_drives_stands(orchard: Plant) -> None:
    decoupler = Bypass("decoupler", "chw-supply", "chw-return", (), either_way=True)
    loop = replace(orchard.loops["chw"], bypasses=(decoupler,))
    plant = replace(orchard, loops={"chw": loop})
    stopped: dict[str, Change] = {"CHWP-1.status": "OFF", "CHWP-1.command": "OFF", "AHU-1.valve_position": 60.0}
    found = judge(plant, stopped)
    assert (found["chw/buildings/0"].moving, found["chw/decoupler"].moving) == (False, False)


def test_a_meter_at_a_header_with_a_tee_is_not_taken_for_one_side(larkfield: Plant) -> None:
    meter = replace(larkfield.points["sec-out.flow"], name="chw-supply.flow", equipment="chw-supply")
    points = {name: point for name, point in larkfield.points.items() if name != "sec-out.flow"}
    plant = replace(larkfield, points={**points, "chw-supply.flow": meter})
    runs = {name: value for name, value in LARKFIELD_RUNS.items() if name != "sec-out.flow"}
    found = judge(plant, runs, {"chw-supply.flow": 2_600.0})
    assert found["chw/secondary-pumps/0"] == BranchFlow(None, moving=True, basis=Basis.INFERRED)
    assert found["chw/decoupler"] == BranchFlow(None, None, Basis.UNKNOWN)


def test_a_tripped_pump_moves_nothing_and_leaves_the_total_to_the_other(larkfield: Plant) -> None:
    frame = frame_of(
        larkfield, {**LARKFIELD_RUNS, "CWP-2.status": "OFF", "CWP-2.command": "ON", "cwp-out.flow": 1_800.0}
    )
    found = flows(larkfield, frame, conditions(larkfield, frame, frozenset({"CWP-2"})))
    assert found["cw/cw-pumps/1"] == BranchFlow(0.0, moving=False, basis=Basis.INFERRED)
    assert rounded(found["cw/cw-pumps/0"]).flow_l_s == round(1_800 * GPM_L_S, DIGITS)


def test_a_pump_proven_to_run_moves_water_however_little_the_balance_leaves_it(larkfield: Plant) -> None:
    found = judge(larkfield, LARKFIELD_RUNS, {"sec-out.flow": 5.0})["chw/secondary-pumps/0"]
    assert rounded(found) == BranchFlow(round(5 * GPM_L_S, DIGITS), moving=True, basis=Basis.INFERRED)


def test_a_closed_isolation_valve_means_no_water_in_that_cell(larkfield: Plant) -> None:
    found = judge(larkfield, LARKFIELD_RUNS)
    assert [found[f"cw/towers/{index}"].moving for index in range(3)] == [True, True, False]


def test_one_open_cell_carries_what_the_riser_brings(orchard: Plant) -> None:
    found = judge(orchard, ORCHARD_RUNS)
    condenser_l_s = 198.0 / 3.6
    assert rounded(found["cw/towers/0"]) == BranchFlow(round(condenser_l_s, DIGITS), moving=True, basis=Basis.INFERRED)
    assert found["cw/riser-valve/0"].flow_l_s == pytest.approx(condenser_l_s)
    assert found["chw/buildings/0"].flow_l_s == pytest.approx(162.0 / 3.6)


def test_water_stands_everywhere_when_the_only_pump_stands(orchard: Plant) -> None:
    stopped: dict[str, Change] = {
        "CHWP-1.status": "OFF", "CHWP-1.command": "OFF", "CH-1.chw_flow": 0.0,
    }  # fmt: skip
    found = judge(orchard, ORCHARD_RUNS, stopped)
    assert {found[key].moving for key in found if key.startswith("chw/")} == {False}
    assert found["cw/towers/0"].moving is True


def test_a_silent_device_makes_flows_unknown_and_not_standing(orchard: Plant) -> None:
    gone: dict[str, Change] = dict(silence(orchard, ["BC-1"]))
    found = judge(orchard, ORCHARD_RUNS, gone)
    assert set(found.values()) == {BranchFlow(None, None, Basis.UNKNOWN)}


def test_a_flow_switch_speaks_where_the_meter_cannot(orchard: Plant) -> None:
    faulty: dict[str, Change] = {"CH-1.cw_flow": bad("sensor fault", NOW_MS), "CWP-1.status": bad("no answer", NOW_MS)}
    made = judge(orchard, ORCHARD_RUNS, faulty, {"CH-1.cw_flow_proof": "FLOW"})["cw/condensers/0"]
    assert made == BranchFlow(None, moving=True, basis=Basis.INFERRED)
    not_made = judge(orchard, ORCHARD_RUNS, faulty, {"CH-1.cw_flow_proof": "NO FLOW"})["cw/condensers/0"]
    assert not_made == BranchFlow(None, moving=False, basis=Basis.INFERRED)


def test_a_pump_that_is_commanded_but_not_proven_is_not_said_to_move_water(larkfield: Plant) -> None:
    starting: dict[str, Change] = {"CWP-3.status": "OFF", "CWP-3.command": "ON"}
    assert judge(larkfield, LARKFIELD_RUNS, starting)["cw/cw-pumps/2"].moving is None


def all_in(plant: Plant, pumps: Operation) -> dict[str, Condition]:
    """Return conditions with every pump in one state and every valve open."""
    frame = frame_of(plant, {})
    opened = {item.id: Condition(Operation.RUN, "OPEN", "", hand=False) for item in plant.of_kind("valve")}
    drives = {item.id: Condition(pumps, pumps.name, "", hand=False) for item in plant.of_kind("pump")}
    return conditions(plant, frame) | opened | drives


@pytest.mark.parametrize("name", SHAPES)
def test_in_every_arrangement_water_moves_with_its_pumps_and_stands_without(name: str, tmp_path: Path) -> None:
    plant, _ = read_shape(name, tmp_path)
    assert plant is not None
    decouplers = {f"{loop.id}/{item.id}" for loop in plant.loops.values() for item in loop.bypasses if item.either_way}
    running = flows(plant, frame_of(plant, {}), all_in(plant, Operation.RUN))
    assert {key: flow.moving for key, flow in running.items()} == {
        key: None if key in decouplers else True for key in running
    }
    standing = flows(plant, frame_of(plant, {}), all_in(plant, Operation.OFF))
    assert {flow.moving for flow in standing.values()} == {False}
    silent = flows(plant, frame_of(plant, {}), all_in(plant, Operation.NO_COMMS))
    assert {flow.moving for flow in silent.values()} == {None}
