"""Alarm rows of plant.toml: every mistake has its place, its line and its remedy."""

from __future__ import annotations

from typing import Any

import pytest

from plantview.alarms import compile_rules, is_warning
from plantview.alarms.watch import Limit
from plantview.config import load_plant
from plantview.derive import Derivation
from tests.conftest import CHECKOUT
from tests.unit.alarm_rig import problems_of, row, small_plant

BAD_ROWS: list[tuple[dict[str, Any], str, str, str]] = [
    # cells, place, what is wrong, remedy
    ({"type": "HIGH"}, "alarms[HI].type", "unknown alarm type 'HIGH'", "one of HI, HIHI"),
    ({"limits": "50 degF"}, "alarms[HI].limits", "unknown key for type HI; did you mean limit?", "known: id"),
    ({"setpoint": "CH-1.setpoint"}, "alarms[HI].setpoint", "unknown key for type HI", "known: id"),
    ({"point": None}, "alarms[HI].point", "missing; type HI needs it", "add point"),
    (
        {"point": "CH-1.chws_tmp"},
        "alarms[HI].point",
        "no signal 'CH-1.chws_tmp'; did you mean CH-1.chws_temp?",
        "points.csv",
    ),
    ({"point": "CH-1.mode"}, "alarms[HI].point", "CH-1.mode is a state", 'use type = "STATE"'),
    ({"limit": "50"}, "alarms[HI].limit", "unknown unit ''", "number with a unit"),
    ({"limit": "50 psi"}, "alarms[HI].limit", "'psi' is no unit of temperature", "number with a unit"),
    ({"limit": "hot degF"}, "alarms[HI].limit", "'hot degF' is not a number with a unit", "number with a unit"),
    ({"limit": "inf degF"}, "alarms[HI].limit", "not a finite number", "number with a unit"),
    ({"limit": 50}, "alarms[HI].limit", "must be a text on one line", "quotation marks"),
    ({"deadband": "-1 degF"}, "alarms[HI].deadband", "may not be negative", "number with a unit"),
    ({"on_delay_s": "30"}, "alarms[HI].on_delay_s", "'30' is no number of seconds", "a number from 0"),
    ({"on_delay_s": -1}, "alarms[HI].on_delay_s", "'-1' is no number of seconds", "a number from 0"),
    ({"off_delay_s": True}, "alarms[HI].off_delay_s", "'True' is no number of seconds", "a number from 0"),
    ({"re_alarm_s": float("nan")}, "alarms[HI].re_alarm_s", "'nan' is no number of seconds", "a number from 0"),
    ({"priority": None}, "alarms[HI].priority", "missing", "one of 1, 2, 3, 4"),
    ({"priority": 5}, "alarms[HI].priority", "'5' is not possible", "one of 1, 2, 3, 4"),
    ({"priority": True}, "alarms[HI].priority", "'True' is not possible", "one of 1, 2, 3, 4"),
    (
        {"class_": "protecton"},
        "alarms[HI].class",
        "'protecton' is not possible; did you mean protection?",
        "one of safety",
    ),
    ({"latching": "yes"}, "alarms[HI].latching", "'yes' is neither true nor false", "latching = true"),
    ({"otherwise": "off"}, "alarms[HI].otherwise", "'off' is not possible", "one of suppressed, normal"),
    ({"when": "CH-9 runs"}, "alarms[HI].when", "no equipment 'CH-9'", "write it like"),
    ({"when": "CH-1 runs", "class_": "safety"}, "alarms[HI].when", "class safety is never suppressed", "remove 'when'"),
    ({"cause": "two\nlines"}, "alarms[HI].cause", "must be a text on one line", "at most 500"),
    (
        {"type": "STATE", "point": "CH-1.fault", "states": ["TRIP"]},
        "alarms[HI].states",
        "no state 'TRIP'",
        "states column",
    ),
    (
        {"type": "STATE", "point": "CH-1.fault", "states": "FAULT"},
        "alarms[HI].states",
        "must be a list of words",
        "states = ",
    ),
    (
        {"type": "STATE", "point": "CH-1.load_pct", "states": ["FAULT"]},
        "alarms[HI].states",
        "is no state",
        "states column",
    ),
    (
        {"type": "DEV_HI", "point": "CH-1.chws_temp", "setpoint": "CH-1.load_pct", "limit": "2 degF"},
        "alarms[HI].setpoint",
        "CH-1.load_pct is a percent, CH-1.chws_temp a temperature",
        "same quantity",
    ),
    (
        {"type": "MISMATCH", "point": "CHWP-1.status", "command": "V-1.command"},
        "alarms[HI].command",
        "have different units",
        "command of this point",
    ),
    (
        {"type": "MISMATCH", "point": "V-1.position", "command": "V-1.command"},
        "alarms[HI].limit",
        "missing",
        "add limit",
    ),
    (
        {"type": "ROC", "point": "CH-1.chws_temp", "limit": "5 degF", "within_s": 0},
        "alarms[HI].within_s",
        "must be above 0",
        "such as 60",
    ),
    ({"type": "COMM", "device": "D-9"}, "alarms[HI].device", "no device 'D-9'; did you mean D-", "[devices]"),
    (
        {"each": ["CH-9"], "id": "{each}.HI"},
        "alarms[{each}.HI].each",
        "no equipment, device or header 'CH-9'",
        "plant has",
    ),
    ({"each": "boiler", "id": "{each}.HI"}, "alarms[{each}.HI].each", "no boiler in this plant", "chiller"),
    ({"each": ["CH-1"]}, "alarms[HI].id", "the same id for each", "{each}"),
    ({"id": ""}, "alarms.id", "missing", "add id"),
]


@pytest.mark.parametrize(("cells", "place", "wrong", "remedy"), BAD_ROWS)
def test_a_wrong_row_names_place_line_and_remedy(cells: dict[str, Any], place: str, wrong: str, remedy: str) -> None:
    given = {"alarm_id": cells["id"]} if "id" in cells else {}
    found = problems_of(row(**given, **{key: value for key, value in cells.items() if key != "id"}))
    matching = [problem for problem in found if problem.place == place and wrong in problem.wrong]
    assert len(matching) == 1, [str(problem) for problem in found]
    serious = [problem.place for problem in found if not is_warning(problem)]
    assert len(set(serious)) == len(serious), "one mistake is said once"
    assert remedy in matching[0].remedy
    assert (matching[0].file, matching[0].line) == ("plant.toml", 10)
    assert not is_warning(matching[0])


def test_all_problems_of_all_rows_are_reported_at_once() -> None:
    found = problems_of(row("A", priority=9, latching="no"), row("B", when="CH-9 runs"))
    assert {problem.place for problem in found} == {"alarms[A].priority", "alarms[A].latching", "alarms[B].when"}


def test_a_farther_limit_that_is_not_farther_is_a_problem() -> None:
    (found,) = problems_of(row("A", limit="50 degF"), row("B", type="HIHI", limit="50 degF"))
    assert (found.place, found.line) == ("alarms[A].limit", 10)
    assert "HI A is reached later than HIHI B" in found.wrong
    (found,) = problems_of(row("A", type="LO", limit="40 degF"), row("B", type="LOLO", limit="41 degF"))
    assert "LO A is reached later than LOLO B" in found.wrong
    assert problems_of(row("A", type="LO", limit="40 degF"), row("B", type="LOLO", limit="39 degF")) == []


def test_a_second_alarm_of_the_same_id_is_a_problem() -> None:
    (found,) = problems_of(row("A"), row("A"))
    assert (found.line, found.wrong) == (20, "a second alarm 'A'")


@pytest.mark.parametrize("missing", ["consequence", "action", "time_to_respond_s"])
def test_a_row_that_lacks_what_makes_an_alarm_is_an_event_and_draws_a_warning(missing: str) -> None:
    lacking = {key: cell for key, cell in row().items() if key != missing}
    plant = small_plant(lacking)
    rules, problems = compile_rules(plant, {})
    assert [rule.annunciated for rule in rules] == [False]
    (found,) = [problem for problem in problems if problem.place == f"alarms[HI].{missing}"]
    assert is_warning(found)
    assert "it is an event" in found.wrong


def test_a_row_that_is_meant_to_be_an_event_draws_no_warning() -> None:
    plain = row(priority=None, consequence=None, action=None, time_to_respond_s=None, class_=None)
    assert problems_of(plain) == []


def test_detection_that_eats_more_than_half_of_the_time_to_respond_draws_a_warning() -> None:
    # on-delay + one period + three periods until a reading counts as stale: 57 + 4 = 61 s of 120 s
    assert problems_of(row(on_delay_s=56, time_to_respond_s=120)) == []
    (found,) = problems_of(row(on_delay_s=57, time_to_respond_s=120))
    assert is_warning(found)
    assert "up to 61 s to see" in found.wrong


def test_a_limit_without_deadband_draws_a_warning() -> None:
    (found,) = problems_of(row(deadband=None))
    assert is_warning(found)
    assert found.place == "alarms[HI].deadband"


def test_a_device_that_no_alarm_watches_draws_a_warning() -> None:
    _, problems = compile_rules(small_plant(row(type="COMM", device="D-1")), {})
    assert [problem.place for problem in problems] == ["devices.D-2"]
    assert is_warning(problems[0])


@pytest.mark.parametrize(("text", "in_degf"), [("50 degF", 50.0), ("10 degC", 50.0)])
def test_a_limit_in_any_unit_becomes_an_exact_number_in_the_unit_of_the_signal(text: str, in_degf: float) -> None:
    rules, _ = compile_rules(small_plant(row(limit=text, deadband="1 K")), {})
    watch = rules[0].watch
    assert isinstance(watch, Limit)
    assert watch.limit == in_degf
    assert watch.clears_at == 48.2


def test_each_makes_one_alarm_for_every_name_and_fills_every_text() -> None:
    cells = row(
        "{each}.FAULT",
        type="STATE",
        point="{each}.fault",
        states=["FAULT"],
        each="chiller",
        cause="{each} tripped",
        first_out="{each}",
    )
    rules, problems = compile_rules(
        small_plant(cells, row("{each}.C", type="COMM", each="device", device="{each}")), {}
    )
    assert problems == []
    assert [rule.id for rule in rules] == ["CH-1.FAULT", "D-1.C", "D-2.C"]
    assert (rules[0].cause, rules[0].first_out, rules[0].equipment) == ("CH-1 tripped", "CH-1", "CH-1")


def test_start_values_of_the_delays_follow_the_quantity() -> None:
    rows = (
        row("T", on_delay_s=None, off_delay_s=None),
        row(
            "F", type="LO", point="CH-1.chw_flow", limit="100 gpm", deadband="5 gpm", on_delay_s=None, off_delay_s=None
        ),
        row("S", type="STATE", point="CH-1.fault", states=["FAULT"], on_delay_s=None, off_delay_s=None),
    )
    rules, _ = compile_rules(small_plant(*rows), {})
    assert [(rule.on_delay_s, rule.off_delay_s) for rule in rules] == [(60, 60), (15, 15), (0, 0)]


@pytest.mark.parametrize("folder", ["larkfield", "orchard"])
def test_the_alarms_of_the_example_plants_compile_without_problem_or_warning(folder: str) -> None:
    plant = load_plant(CHECKOUT / "config" / folder)
    rules, problems = compile_rules(plant, Derivation(plant).signals)
    assert [str(problem) for problem in problems] == []
    assert {rule.equipment for rule in rules if rule.type == "COMM"} == set(plant.devices)
    assert {rule.equipment for rule in rules if rule.class_name == "trip"} == {c.id for c in plant.of_kind("chiller")}


@pytest.mark.parametrize("folder", ["larkfield", "orchard"])
def test_no_example_alarm_puts_a_fixed_limit_on_a_tower_approach(folder: str) -> None:
    plant = load_plant(CHECKOUT / "config" / folder)
    rules, _ = compile_rules(plant, Derivation(plant).signals)
    towers = {cell.id for cell in plant.of_kind("tower_cell")} | {"PLANT"}
    assert [rule.id for rule in rules if rule.equipment in towers and "approach" in rule.point] == []


@pytest.mark.parametrize("folder", ["larkfield", "orchard"])
def test_every_efficiency_and_delta_t_alarm_waits_for_load_and_time_since_start(folder: str) -> None:
    plant = load_plant(CHECKOUT / "config" / folder)
    rules, _ = compile_rules(plant, Derivation(plant).signals)
    derived = [rule for rule in rules if rule.point.endswith(("kw_per_ton", "delta_t", "approach"))]
    assert derived
    assert all(" runs for " in rule.when and "load" in rule.when for rule in derived)
