"""What a crew is told that a machine does, and what it is never told."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING

import pytest

from plantview.derive.conditions import conditions
from plantview.derive.conditions_chillers import MODES
from plantview.model.operation import Condition, Operation
from plantview.model.quality import Quality
from plantview.model.reading import Reading, bad
from tests.frames import NOW_MS, Change, frame_of, silence

if TYPE_CHECKING:
    from plantview.model.plant import Plant

ORCHARD_RUNS: dict[str, Change] = {
    "CHWP-1.command": "ON", "CHWP-1.status": "RUN", "CWP-1.command": "ON", "CWP-1.status": "RUN",
    "CH-1.enable": "ON", "CH-1.status": "RUN", "CH-1.mode": "RUN", "CH-1.fault": "NORMAL",
    "CH-1.chw_flow": 160.0, "CH-1.cw_flow": 200.0, "V-TWR.position": 100.0, "V-TB.position": 0.0,
    "CT-1-FAN-A.command": "ON", "CT-1-FAN-A.status": "RUN", "CT-1-FAN-A.speed": 62.0,
    "CT-1-FAN-B.command": "ON", "CT-1-FAN-B.status": "RUN", "CT-1-FAN-B.speed": 62.0,
    "AHU-1.valve_position": 43.4, "AHU-2.valve_position": 0.0, "CT-BASIN.level": 500.0,
}  # fmt: skip


def judge(plant: Plant, *changes: dict[str, Change], tripped: frozenset[str] = frozenset()) -> dict[str, Condition]:
    merged: dict[str, Change] = {}
    for change in changes:
        merged |= change
    return conditions(plant, frame_of(plant, merged), tripped)


def test_every_machine_of_both_plants_has_a_condition(larkfield: Plant, orchard: Plant) -> None:
    kinds = {"chiller", "pump", "fan", "tower_cell", "valve", "coil", "heat_exchanger", "basin"}
    for plant in (larkfield, orchard):
        assert set(conditions(plant, frame_of(plant, {}))) == {
            name for name, item in plant.equipment.items() if item.kind in kinds
        }


def test_nothing_that_was_never_read_is_called_off_closed_or_running(larkfield: Plant, orchard: Plant) -> None:
    for plant in (larkfield, orchard):
        for name, condition in conditions(plant, frame_of(plant, {})).items():
            assert condition.operation is Operation.UNKNOWN, name
            assert condition.detail in {
                "not read yet",
                "not measured",
                "water: not read yet; FAN UNKNOWN",
                "water: not measured; FANS 0 of 2 ON, 1 UNKNOWN, 1 UNKNOWN",
            }, name


def test_a_running_plant_says_so(orchard: Plant) -> None:
    found = judge(orchard, ORCHARD_RUNS)
    words = {name: (condition.word, condition.detail) for name, condition in found.items()}
    assert words == {
        "CH-1": ("RUN", ""), "CHWP-1": ("RUN", ""), "CWP-1": ("RUN", ""),
        "CT-1": ("WATER ON", "FANS 2 of 2 ON"), "CT-1-FAN-A": ("RUN", ""), "CT-1-FAN-B": ("RUN", ""),
        "CT-BASIN": ("WATER", ""), "V-TWR": ("OPEN", ""), "V-TB": ("CLOSED", ""),
        "V-AHU-1": ("43 %", "from AHU-1"), "V-AHU-2": ("CLOSED", "from AHU-2"),
        "AHU-1": ("43 %", ""), "AHU-2": ("CLOSED", ""),
    }  # fmt: skip


@pytest.mark.parametrize("stale", [True, False])
def test_a_silent_device_means_no_comms_and_never_off(orchard: Plant, stale: bool) -> None:
    found = judge(orchard, ORCHARD_RUNS, dict(silence(orchard, ["BC-1", "CH-1-PANEL"], stale=stale)))
    for name in ("CH-1", "CHWP-1", "CWP-1", "CT-1-FAN-A", "V-TWR", "AHU-1", "V-AHU-1", "CT-BASIN"):
        assert (found[name].operation, found[name].word) == (Operation.NO_COMMS, "NO COMMS"), name
        assert found[name].detail.startswith("no answer in 2 s"), name


@pytest.mark.parametrize(
    "reason",
    [
        "no answer in 2 s",
        "no connection to 127.0.0.1:15020",
        "no way to the device: unknown-route",
        "the gateway gets no answer from unit 3: gateway target device failed to respond",
        "not renewed; last value 2 min ago",
    ],
)
def test_every_wording_of_silence_means_no_comms(larkfield: Plant, reason: str) -> None:
    assert judge(larkfield, {"CWP-1.status": bad(reason, NOW_MS)})["CWP-1"].word == "NO COMMS"


def test_a_stale_status_is_not_believed_whatever_its_reason(larkfield: Plant) -> None:
    stale = Reading(1.0, Quality.STALE, "the gateway is busy; value is 20 s old", NOW_MS - 20_000)
    assert judge(larkfield, {"CWP-1.status": stale})["CWP-1"].operation is Operation.NO_COMMS


@pytest.mark.parametrize(
    ("changes", "word", "detail"),
    [
        ({"CWP-1.speed": 62.0, "CWP-1.command": "ON"}, "RUN", ""),
        ({"CWP-1.speed": 1.0, "CWP-1.command": "ON"}, "STARTING", "commanded, not proven"),
        ({"CWP-1.speed": 0.0, "CWP-1.command": "OFF"}, "OFF", ""),
    ],
)
def test_a_drive_without_a_status_point_is_proven_by_its_speed(
    larkfield: Plant, changes: dict[str, Change], word: str, detail: str
) -> None:
    plant = replace(larkfield, points={k: v for k, v in larkfield.points.items() if k != "CWP-1.status"})
    found = judge(plant, changes)["CWP-1"]
    assert (found.word, found.detail) == (word, detail)


def test_a_refused_status_is_unknown_with_the_devices_own_reason(orchard: Plant) -> None:
    refused = bad("device answered: unknown-object", NOW_MS)
    found = judge(orchard, ORCHARD_RUNS, {"CHWP-1.status": refused})["CHWP-1"]
    assert found == Condition(Operation.UNKNOWN, "UNKNOWN", "device answered: unknown-object", hand=False)


@pytest.mark.parametrize(
    ("status", "command", "operation", "detail"),
    [
        ("RUN", "ON", Operation.RUN, ""),
        ("RUN", "OFF", Operation.RUN, "runs without command"),
        ("OFF", "ON", Operation.STARTING, "commanded, not proven"),
        ("OFF", "OFF", Operation.OFF, ""),
    ],
)
def test_a_pump_is_judged_by_status_and_command(
    larkfield: Plant, status: str, command: str, operation: Operation, detail: str
) -> None:
    found = judge(larkfield, {"CWP-2.status": status, "CWP-2.command": command})["CWP-2"]
    assert (found.operation, found.detail) == (operation, detail)


def test_an_active_trip_alarm_makes_a_stopped_pump_tripped_but_not_a_running_one(larkfield: Plant) -> None:
    stopped = judge(larkfield, {"CWP-2.status": "OFF", "CWP-2.command": "ON"}, tripped=frozenset({"CWP-2"}))["CWP-2"]
    assert (stopped.word, stopped.detail) == ("TRIPPED", "status off while commanded")
    running = judge(larkfield, {"CWP-2.status": "RUN", "CWP-2.command": "ON"}, tripped=frozenset({"CWP-2"}))["CWP-2"]
    assert running.operation is Operation.RUN


def test_a_tripped_pump_whose_device_went_silent_is_no_comms_and_says_what_was_last_known(larkfield: Plant) -> None:
    found = judge(larkfield, dict(silence(larkfield, ["BC-1"])), tripped=frozenset({"CWP-2"}))["CWP-2"]
    assert found.operation is Operation.NO_COMMS
    assert found.detail.endswith("tripped when last read")


@pytest.mark.parametrize("pump", ["CHWP-1", "CWP-1"])
def test_a_chiller_whose_own_pump_tripped_on_either_loop_is_not_available(orchard: Plant, pump: str) -> None:
    stopped: dict[str, Change] = {f"{pump}.status": "OFF", "CH-1.status": "OFF", "CH-1.mode": "WAITING FOR FLOW"}
    found = judge(orchard, ORCHARD_RUNS, stopped, tripped=frozenset({pump}))["CH-1"]
    assert found == Condition(Operation.NOT_AVAILABLE, "NOT AVAILABLE", f"{pump} tripped", hand=False)


def test_a_chiller_that_still_runs_is_not_called_unavailable(orchard: Plant) -> None:
    found = judge(orchard, ORCHARD_RUNS, {"CHWP-1.status": "OFF"}, tripped=frozenset({"CHWP-1"}))["CH-1"]
    assert (found.word, found.detail) == ("RUN", "CHWP-1 tripped")


def test_a_headered_pump_that_tripped_blocks_no_chiller(larkfield: Plant) -> None:
    off: dict[str, Change] = {
        "CH-1.status": "OFF",
        "CH-1.mode": "OFF",
        "PCHWP-1.status": "OFF",
        "PCHWP-1.command": "ON",
    }
    found = judge(larkfield, off, tripped=frozenset({"PCHWP-1"}))
    assert found["PCHWP-1"].word == "TRIPPED"
    assert found["CH-1"].word == "OFF"


def test_the_panels_own_word_is_shown_with_the_minutes_left(larkfield: Plant) -> None:
    mode: dict[str, Change] = {"CH-1.status": "OFF", "CH-1.mode": "RESTART INHIBIT", "CH-1.restart_time_left": 661.0}
    found = judge(larkfield, mode)["CH-1"]
    assert found == Condition(Operation.NOT_AVAILABLE, "RESTART INHIBIT", "12 min left", hand=False)
    found = judge(larkfield, {"CH-1.status": "OFF", "CH-1.mode": "WAITING FOR FLOW"})["CH-1"]
    assert (found.operation, found.word) == (Operation.STARTING, "WAITING FOR FLOW")


def test_every_mode_of_both_example_panels_is_known(larkfield: Plant, orchard: Plant) -> None:
    for plant in (larkfield, orchard):
        for item in plant.of_kind("chiller"):
            assert set(plant.points[f"{item.id}.mode"].states.values()) <= set(MODES)


@pytest.mark.parametrize(
    ("changes", "word", "detail"),
    [
        ({"CH-1.mode": "FAULT"}, "TRIPPED", "CH-1.mode"),
        ({"CH-1.mode": "OFF", "CH-1.fault": "FAULT"}, "TRIPPED", "CH-1.fault"),
        ({"CH-1.mode": "OFF", "CH-1.status": "RUN"}, "RUN", "runs, but its mode says OFF"),
        ({"CH-1.mode": "RUN"}, "STARTING", "commanded, not proven: mode RUN, status OFF"),
        ({"CH-1.mode": "RUN", "CH-1.status": "RUN", "CH-1.fault": "FAULT"}, "RUN", "runs with CH-1.fault"),
    ],
)
def test_contradictions_between_mode_status_and_fault_are_said(
    larkfield: Plant, changes: dict[str, Change], word: str, detail: str
) -> None:
    found = judge(larkfield, {"CH-1.status": "OFF"}, changes)["CH-1"]
    assert (found.word, found.detail) == (word, detail)


def test_a_chiller_is_judged_by_its_status_where_the_mode_cannot_be_read(larkfield: Plant) -> None:
    assert judge(larkfield, {"CH-1.status": "RUN", "CH-1.enable": "ON"})["CH-1"].word == "RUN"
    assert judge(larkfield, {"CH-1.status": "OFF", "CH-1.enable": "ON"})["CH-1"].word == "STARTING"


def test_a_switch_in_hand_is_marked_and_a_switch_in_off_makes_a_pump_not_available(larkfield: Plant) -> None:
    hand: dict[str, Change] = {"SCHWP-1.status": "RUN", "SCHWP-1.command": "OFF", "SCHWP-1.hand_off_auto": "HAND"}
    found = judge(larkfield, hand)["SCHWP-1"]
    assert (found.word, found.detail, found.hand) == ("RUN", "runs without command", True)
    off: dict[str, Change] = {"SCHWP-1.status": "OFF", "SCHWP-1.command": "OFF", "SCHWP-1.hand_off_auto": "OFF"}
    found = judge(larkfield, off)["SCHWP-1"]
    assert (found.word, found.detail, found.hand) == ("NOT AVAILABLE", "switch in OFF", False)


def test_a_status_that_its_controller_calls_overridden_marks_hand(larkfield: Plant) -> None:
    overridden = Reading(1.0, Quality.UNCERTAIN, "in hand", NOW_MS)
    assert judge(larkfield, {"CWP-1.status": overridden})["CWP-1"].hand
    assert not judge(larkfield, {"CWP-1.status": "RUN"})["CWP-1"].hand


@pytest.mark.parametrize(
    ("position", "word"),
    [(100.0, "OPEN"), (95.0, "OPEN"), (94.0, "94 %"), (43.4, "43 %"), (6.0, "6 %"), (5.0, "CLOSED")],
)
def test_a_valve_is_open_closed_or_in_between(larkfield: Plant, position: float, word: str) -> None:
    found = judge(larkfield, {"V-CH1.position": position})["V-CH1"]
    assert (found.word, found.operation) == (word, Operation.OFF if word == "CLOSED" else Operation.RUN)


def test_a_valve_without_feedback_shows_its_command_as_a_command(larkfield: Plant) -> None:
    found = judge(larkfield, {"V-TB.command": 30.0})
    assert (found["V-TB"].word, found["V-TB"].detail) == ("30 %", "commanded")


def test_valves_on_one_actuator_tell_of_each_other(larkfield: Plant) -> None:
    found = judge(larkfield, {"V-TB.position": 30.0})["V-TWR"]
    assert (found.word, found.detail) == ("70 %", "from V-TB")


CELL: dict[str, Change] = {
    "CWP-1.status": "RUN", "CWP-2.status": "OFF", "CWP-3.status": "OFF", "V-TWR.position": 100.0, "V-TB.position": 0.0,
    "CT-1.isolation_valve": 100.0, "CT-1-FAN.status": "RUN", "CT-1-FAN.speed": 62.3, "V-CW1.position": 100.0,
}  # fmt: skip


@pytest.mark.parametrize(
    ("changes", "word", "detail"),
    [
        ({}, "WATER ON", "FAN 62 %"),
        ({"CT-1.isolation_valve": 0.0}, "WATER OFF", "FAN 62 %"),
        ({"CWP-1.status": "OFF"}, "WATER OFF", "FAN 62 %"),
        ({"V-TWR.position": 0.0, "V-TB.position": 100.0}, "WATER OFF", "FAN 62 %"),
        ({"CT-1-FAN.status": "OFF", "CT-1-FAN.command": "OFF"}, "WATER ON", "FAN OFF"),
        ({"CT-1-FAN.status": "OFF", "CT-1-FAN.command": "ON"}, "WATER ON", "FAN STARTING"),
        ({"CT-1.isolation_valve": bad("out of range", NOW_MS)}, "UNKNOWN", "water: out of range; FAN 62 %"),
    ],
)
def test_a_tower_cell_says_both_facts(larkfield: Plant, changes: dict[str, Change], word: str, detail: str) -> None:
    found = judge(larkfield, CELL, changes)["CT-1"]
    assert (found.word, found.detail) == (word, detail)


def test_a_silent_isolation_valve_makes_the_cell_no_comms_with_its_fan_still_told(larkfield: Plant) -> None:
    gone = bad("no answer in 2 s; last value 3 min ago", NOW_MS - 180_000)
    found = judge(larkfield, CELL, {"CT-1.isolation_valve": gone})["CT-1"]
    assert found.word == "NO COMMS"
    assert found.detail.endswith("FAN 62 %")


@pytest.mark.parametrize(
    ("b_status", "b_command", "detail"),
    [("RUN", "ON", "FANS 2 of 2 ON"), ("OFF", "OFF", "FANS 1 of 2 ON"), ("OFF", "ON", "FANS 1 of 2 ON, 1 STARTING")],
)
def test_a_cell_with_two_fans_counts_them(orchard: Plant, b_status: str, b_command: str, detail: str) -> None:
    changes: dict[str, Change] = {"CT-1-FAN-B.status": b_status, "CT-1-FAN-B.command": b_command}
    assert judge(orchard, ORCHARD_RUNS, changes)["CT-1"].detail == detail


def test_a_low_basin_is_told_by_its_switch(larkfield: Plant) -> None:
    assert judge(larkfield, {"CT-BASIN.low_level": "LOW"})["CT-BASIN"].word == "LOW LEVEL"
    assert judge(larkfield, {"CT-BASIN.low_level": "NORMAL"})["CT-BASIN"].word == "LEVEL NORMAL"


def test_a_basin_whose_switch_is_silent_is_not_called_normal_by_its_level(larkfield: Plant) -> None:
    changes: dict[str, Change] = {"CT-BASIN.low_level": bad("no answer in 2 s", NOW_MS), "CT-BASIN.level": 24.0}
    assert judge(larkfield, changes)["CT-BASIN"].word == "NO COMMS"


def test_a_status_that_says_tripped_is_no_proof_of_running(orchard: Plant) -> None:
    point = replace(orchard.points["CWP-1.status"], states={0: "OFF", 1: "RUN", 2: "TRIPPED"})
    plant = replace(orchard, points={**orchard.points, point.name: point})
    found = judge(plant, ORCHARD_RUNS, {"CWP-1.status": "TRIPPED"})
    assert found["CWP-1"].operation is not Operation.RUN
