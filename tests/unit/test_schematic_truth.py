"""What is drawn is true: simulated plants against the drawing of the same moment."""

from __future__ import annotations

import json
from dataclasses import replace
from xml.etree import ElementTree as ET

import pytest

from plantview.model.operation import Operation
from plantview.model.plant import Plant
from plantview.model.quality import Quality
from plantview.model.reading import Reading, bad
from plantview.simulator.faults import parse_fault
from plantview.simulator.plant import SimulatedPlant
from tests.simulation.plant_days import MORNING_MS, run_hours
from tests.unit.drawn_moments import drawn, machine, moment_of, phone, value, with_dedicated_pumps

MILD = {"load_low": 500.0, "load_high": 900.0}


@pytest.fixture
def dedicated(larkfield: Plant) -> Plant:
    plant = with_dedicated_pumps(larkfield)
    return replace(plant, simulation={**plant.simulation, **MILD})


def _one_runs(plant: Plant) -> SimulatedPlant:
    """Return a mild morning: one chiller runs, two stand ready, the third with fewer hours than the second."""
    simulated = SimulatedPlant(plant, MORNING_MS)
    for hours, chiller in zip((3_000, 5_000, 4_000), simulated.machines.chillers.values(), strict=True):
        chiller.run_hours = hours
    run_hours(simulated, 0.02)
    return simulated


def test_a_tripped_dedicated_pump_takes_its_chiller_away_and_next_to_start_moves(dedicated: Plant) -> None:
    simulated = _one_runs(dedicated)
    before = drawn(dedicated, moment_of(simulated, dedicated))
    assert phone(dedicated, moment_of(simulated, dedicated))["states"]["CH-3"][:2] == [
        "OFF",
        "next to start by run hours",
    ]
    assert machine(before, "CH-3")["word"] == "OFF"
    assert machine(before, "CH-3")["detail"] == "next to start by run hours"
    assert machine(before, "CH-2")["detail"] == ""
    tripped = moment_of(simulated, dedicated, tripped={"PCHWP-3"})
    after, told = drawn(dedicated, tripped), phone(dedicated, tripped)["states"]
    assert told["CH-3"][:2] == ["NOT AVAILABLE", "PCHWP-3 tripped"]
    assert told["CH-2"][:2] == ["OFF", "next to start"]
    assert machine(after, "CH-3")["state"] == "not-available"
    assert (machine(after, "CH-3")["word"], machine(after, "CH-3")["detail"]) == ("NOT AVAILABLE", "PCHWP-3 tripped")
    assert machine(after, "CH-2")["detail"] == "next to start"


def test_the_chiller_that_is_said_to_be_next_is_the_one_that_the_plant_then_starts(dedicated: Plant) -> None:
    simulated = _one_runs(dedicated)
    assert machine(drawn(dedicated, moment_of(simulated, dedicated)), "CH-3")["detail"].startswith("next to start")
    simulated.inject(parse_fault("pump-trip:PCHWP-1@0+7200"))
    run_hours(simulated, 0.1)
    root = drawn(dedicated, moment_of(simulated, dedicated))
    assert machine(root, "CH-3")["word"] == "RUN"
    assert machine(root, "CH-1")["state"] in {"tripped", "not-available"}
    assert machine(root, "CH-2")["detail"] == "next to start"


@pytest.mark.parametrize(
    "changes",
    [
        {"CH-2.run_hours": bad("no answer in 2 s", MORNING_MS)},
        {"CH-1.status": bad("no answer in 2 s", MORNING_MS), "CH-1.mode": bad("no answer in 2 s", MORNING_MS)},
    ],
    ids=["hours not known", "a chiller not known"],
)
def test_where_the_points_leave_a_doubt_nobody_is_said_to_be_next(
    dedicated: Plant, changes: dict[str, Reading]
) -> None:
    moment = moment_of(_one_runs(dedicated), dedicated, changes=changes)
    assert [row for row in moment.conditions.values() if "next to start" in row[2]] == []


def _arrows(root: ET.Element, key: str) -> set[tuple[bool, bool]]:
    """Return of every pipe that carries one flow alone whether it moves and whether its arrow is turned."""
    pipes = [node for node in root.iter() if "pipe" in node.get("class", "").split() and node.get("data-flow")]
    alone = [node for node in pipes if json.loads(node.get("data-flow", "")) == [[key, 1]]]
    assert alone
    classes = [set(node.get("class", "").split()) for node in alone]
    return {("moves" in each, "reverse" in each) for each in classes}


def test_deficit_flow_turns_the_arrow_and_the_supply_to_the_buildings_is_the_blend(larkfield: Plant) -> None:
    simulated = SimulatedPlant(larkfield, MORNING_MS)
    run_hours(simulated, 0.05)
    surplus = drawn(larkfield, moment_of(simulated, larkfield))
    assert _arrows(surplus, "chw/decoupler") == {(True, False)}
    onward = phone(larkfield, moment_of(simulated, larkfield))["values"]["decoupler.flow"][0]
    assert onward.endswith("to chilled water return (CHWR), inferred")
    for pump in ("PCHWP-1", "PCHWP-2"):
        simulated.inject(parse_fault(f"pump-trip:{pump}@0+7200"))
    run_hours(simulated, 0.2)
    moment = moment_of(simulated, larkfield)
    root = drawn(larkfield, moment)
    through = moment.readings["decoupler.flow"].value
    assert through is not None
    assert through < -10
    assert through == pytest.approx(simulated.truth.flows_l_s()["chw/decoupler"], abs=3.0)
    assert _arrows(root, "chw/decoupler") == {(True, True)}
    back = phone(larkfield, moment)["values"]["decoupler.flow"][0]
    assert back == f"{-through:.1f} L/s to chilled water supply (CHWS), inferred"
    listed = drawn(larkfield, moment, "phone")
    assert _arrows(listed, "chw/decoupler") == {(True, True)}
    # the arrow says which way: a sign beside it would say it twice, and so nothing
    assert float(value(root, "decoupler.flow")[0]) == pytest.approx(-through, abs=0.05)
    said = next(node.get("aria-label", "") for node in root.iter() if node.get("data-signal") == "decoupler.flow")
    assert said.endswith(f"{-through:.1f} L/s to CHWS")
    assert any(node.text == "inferred" for node in root.iter() if node.get("data-basis") == "chw/decoupler")
    made = float(value(root, "CH-3.chws_temp")[0])
    back, blended, sent = (float(value(root, f"{name}.temp")[0]) for name in ("chw-return", "chw-supply", "sec-out"))
    total = float(value(root, "sec-out.flow")[0])
    blend = (made * (total + through) - back * through) / total
    # the only chiller that runs and the return, by their flows; the pipes' water lags behind by a few minutes
    assert blended == pytest.approx(blend, abs=0.35)
    assert sent == pytest.approx(blend, abs=0.6)
    assert blended > made + 1.0


def test_in_hand_held_by_another_and_stale_are_three_marks(larkfield: Plant) -> None:
    simulated = SimulatedPlant(larkfield, MORNING_MS)
    simulated.inject(parse_fault("drive-in-hand:SCHWP-1:70@0"))
    run_hours(simulated, 0.05)
    changes = {
        "chw-supply.temp": Reading(44.0, Quality.STALE, "no answer in 2 s; value is 40 s old", MORNING_MS - 40_000),
        "chw-return.temp": Reading(55.0, Quality.UNCERTAIN, "in hand at the device", MORNING_MS),
    }
    moment = moment_of(simulated, larkfield, changes=changes, system="ip")
    told = phone(larkfield, moment)
    assert told["states"]["SCHWP-1"][2] is True
    assert told["values"]["chw-return.temp"][1:] == ["held", "O"]
    assert told["values"]["chw-supply.temp"][1:] == ["stale", "◷40s"]
    root = drawn(larkfield, moment)
    signs = {
        parent.get("data-equipment") or parent.get("data-signal"): mark.get("data-sign")
        for parent in root.iter()
        if parent.get("data-equipment") or parent.get("data-signal")
        for child in (parent, *parent)
        for mark in child
        if mark.get("data-sign")
    }
    assert signs["SCHWP-1"] == "hand"
    assert signs["chw-return.temp"] == "held"
    assert "chw-supply.temp" not in signs
    number, unit, marks = value(root, "chw-supply.temp")
    assert (number, unit) == ("44.0", "◷40s")
    assert "stale" in marks
    assert not marks & {"signed", "doubt", "bad"}


def test_a_silent_field_process_says_nothing_of_machines_and_flows(orchard: Plant) -> None:
    moment = replace(moment_of(SimulatedPlant(orchard, MORNING_MS), orchard), heard=False)
    root = drawn(orchard, moment)
    assert {node.get("data-state") for node in root.iter() if node.get("data-equipment")} == {Operation.UNKNOWN}
    assert machine(root, "CH-1")["word"] == "NO DATA"
    assert not any("moves" in node.get("class", "").split() for node in root.iter())
    assert "stale-page" in root.get("class", "")


def test_water_that_stands_is_said_to_stand_on_the_phone_page_too(larkfield: Plant) -> None:
    simulated = SimulatedPlant(larkfield, MORNING_MS)
    run_hours(simulated, 0.05)
    moment = moment_of(simulated, larkfield)
    key = next(key for key, row in moment.flows.items() if key.startswith("chw/chillers/"))
    still = replace(moment, flows={**moment.flows, key: [0.0, False, "measured"]})
    text, mark = phone(larkfield, still)["values"]["CH-1.chws_temp"]
    assert text.endswith("°C no flow")
    assert mark == "standing"
    assert "standing" in value(drawn(larkfield, still), "CH-1.chws_temp")[2]
    assert phone(larkfield, moment)["values"]["CH-1.chws_temp"][1] == "good"


@pytest.mark.parametrize(("valve", "word"), [("V-TWR", "OPEN"), ("V-TB", "CLOSED")])
def test_a_valve_has_the_same_word_on_the_wall_in_the_list_and_on_the_phone_page(
    larkfield: Plant, valve: str, word: str
) -> None:
    simulated = SimulatedPlant(larkfield, MORNING_MS)
    run_hours(simulated, 0.05)
    moment = moment_of(simulated, larkfield)
    assert phone(larkfield, moment)["states"][valve][0] == word
    for orientation in ("wall", "phone"):
        assert value(drawn(larkfield, moment, orientation), f"{valve}.position")[0] == word
