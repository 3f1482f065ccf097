"""The starting set of a plant, its sheet, and the way back."""

from __future__ import annotations

import tomllib
from collections import Counter
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest

from plantview.alarms import compile_rules
from plantview.alarms.sheet import COLUMNS, read_sheet, sheet, suggested_priority, toml_rows
from plantview.alarms.starting import starting_set
from plantview.cli import main
from plantview.config import load_plant
from plantview.derive import Derivation
from plantview.model.plant import Plant
from tests.conftest import CHECKOUT
from tests.unit.alarm_rig import row, small_plant


def example(name: str) -> tuple[Plant, Any]:
    plant = load_plant(CHECKOUT / "config" / name)
    return plant, Derivation(plant).signals


@pytest.mark.parametrize(("name", "least", "most"), [("larkfield", 55, 75), ("orchard", 12, 30)])
def test_a_starting_set_compiles_without_a_problem_and_is_of_a_size_that_a_crew_can_go_through(
    name: str, least: int, most: int
) -> None:
    plant, signals = example(name)
    found = starting_set(plant, signals)
    rules, problems = compile_rules(replace(plant, alarms=tuple(found.rows)), signals)
    assert problems == []
    assert least <= len(rules) <= most
    assert all(rule.annunciated for rule in rules)


def test_the_starting_set_and_the_example_keep_to_80_15_5() -> None:
    plant, signals = example("larkfield")
    for rows in (tuple(starting_set(plant, signals).rows), plant.alarms):
        rules, _ = compile_rules(replace(plant, alarms=rows), signals)
        annunciated = [rule.priority for rule in rules if rule.annunciated]
        mix = Counter(annunciated)
        assert mix[1] / len(annunciated) <= 0.05
        assert mix[2] / len(annunciated) <= 0.20
        assert (mix[3] + mix[4]) / len(annunciated) >= 0.75


def test_limits_come_from_design_data_and_a_missing_one_is_said() -> None:
    plant, signals = example("larkfield")
    rows = {cells["id"]: cells for cells in starting_set(plant, signals).rows}
    assert rows["CH-1.CHW-FLOW-LO"]["limit"] == "42.8 L/s"
    assert rows["CH-1.CWS-LO"]["limit"] == "15.6 degC"
    design = {key: value for key, value in plant.equipment["CH-1"].design.items() if key != "min_chw_flow"}
    bare = replace(plant, equipment={**plant.equipment, "CH-1": replace(plant.equipment["CH-1"], design=design)})
    found = starting_set(bare, signals)
    assert "CH-1.CHW-FLOW-LO: no design value min_chw_flow" in found.left_out
    assert "CH-1.CHW-FLOW-LO" not in {cells["id"] for cells in found.rows}


def test_no_starting_alarm_puts_a_fixed_limit_on_a_tower_approach_and_efficiency_waits_for_load_and_time() -> None:
    plant, signals = example("larkfield")
    for cells in starting_set(plant, signals).rows:
        point = str(cells.get("point", ""))
        assert "tower_approach" not in point
        if point.endswith(("kw_per_ton", "_approach", "delta_t")):
            assert "runs for" in cells["when"]
            assert "load" in cells["when"]


@pytest.mark.parametrize("name", ["larkfield", "orchard"])
def test_a_sheet_taken_back_gives_the_same_rules(name: str) -> None:
    plant, signals = example(name)
    rules, _ = compile_rules(plant, signals)
    rows, problems = read_sheet(sheet(plant, rules), "sheet.csv")
    assert problems == []
    again = tomllib.loads(toml_rows([{k: v for k, v in one.items() if k not in {"line", "file"}} for one in rows]))
    taken, problems = compile_rules(replace(plant, alarms=tuple(again["alarms"])), signals)
    assert problems == []
    assert [repr(rule) for rule in taken] == [repr(rule) for rule in rules]


@pytest.mark.parametrize(
    ("seconds", "priority"), [(179, 1), (180, 2), (600, 2), (601, 3), (1_800, 3), (1_801, 4), (86_400, 4)]
)
def test_the_grid_suggests_a_priority_from_the_time_to_respond(seconds: float, priority: int) -> None:
    assert suggested_priority(seconds) == priority


def test_a_priority_off_the_grid_asks_for_its_reason_and_an_event_says_what_it_is() -> None:
    plant = small_plant(row("HI", time_to_respond_s=3_600), row("EV", consequence=None))
    rules, _ = compile_rules(plant, {})
    lines = sheet(plant, rules).splitlines()
    assert "the grid would give 4: say why it is 2" in lines[1]
    assert "calls nobody" in lines[2]


@pytest.mark.parametrize(
    ("text", "place", "wrong"),
    [
        ("id,typ\nA,HI\n", "typ", "unknown column"),
        ("", "", "no columns"),
        ("id,type,latching\nA,HI,maybe\n", "latching", "neither yes nor no"),
        ("id,type,on_delay_s\nA,HI,soon\n", "on_delay_s", "is no number"),
    ],
)
def test_a_sheet_that_cannot_be_read_names_line_and_column(text: str, place: str, wrong: str) -> None:
    _, problems = read_sheet(text, "sheet.csv")
    assert any(problem.place == place and wrong in problem.wrong for problem in problems)
    assert all(problem.file == "sheet.csv" for problem in problems)


def test_a_cell_that_a_spreadsheet_would_work_out_is_kept_as_text_both_ways() -> None:
    plant = small_plant(row("HI", cause="=1+1"))
    text = sheet(plant, compile_rules(plant, {})[0])
    assert "'=1+1" in text
    assert read_sheet(text, "sheet.csv")[0][0]["cause"] == "=1+1"


def test_every_key_of_a_row_has_its_column() -> None:
    assert set(row()) <= set(COLUMNS)
    assert len(set(COLUMNS)) == len(COLUMNS)


def test_the_command_writes_a_starting_set_and_takes_it_back(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    out, toml = tmp_path / "sheet.csv", tmp_path / "alarms.toml"
    assert main(["alarms-sheet", "orchard", "--start", "--out", str(out)]) == 0
    assert main(["alarms-sheet", "orchard", "--in", str(out), "--out", str(toml)]) == 0
    assert len(tomllib.loads(toml.read_text())["alarms"]) == len(out.read_text().splitlines()) - 1
    assert main(["alarms-sheet", "orchard", "--out", str(out)]) == 2
    assert "exists already" in capsys.readouterr().err


def test_the_command_refuses_a_sheet_with_a_problem_and_writes_nothing(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    source, toml = tmp_path / "sheet.csv", tmp_path / "alarms.toml"
    source.write_text("id,type,point,limit\nX,HI,CH-1.chws_tmp,50 degF\n")
    assert main(["alarms-sheet", "orchard", "--in", str(source), "--out", str(toml)]) == 2
    assert "sheet.csv:2" in capsys.readouterr().err
    assert not toml.exists()
    assert main(["alarms-sheet", "orchard", "--in", str(tmp_path / "none"), "--out", str(toml)]) == 2
    assert main(["alarms-sheet", "orchard", "--in", str(source), "--start", "--out", str(toml)]) == 2
