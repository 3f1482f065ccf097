"""Bounds of alarm rows, sheets and starting sets, and what one alarm may inherit from another's past."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest

from plantview.alarms import compile_rules, rows, rules, sheet
from plantview.alarms.sheet import read_sheet, toml_rows
from plantview.alarms.starting import starting_set
from plantview.config import load_plant
from plantview.derive import Derivation
from plantview.model.plant import Plant
from tests.conftest import CHECKOUT
from tests.unit.alarm_rig import Rig, problems_of, row, small_plant


# --- rows -------------------------------------------------------------------------------------------------
@pytest.mark.parametrize(("seconds", "fine"), [(604_800, True), (604_801, False), (0, True), (-1, False)])
def test_a_time_is_at_most_seven_days(seconds: float, fine: bool) -> None:
    found = [problem.place for problem in problems_of(row(re_alarm_s=seconds))]
    assert found == ([] if fine else ["alarms[HI].re_alarm_s"])


@pytest.mark.parametrize(("length", "fine"), [(500, True), (501, False)])
def test_a_text_is_at_most_five_hundred_characters(length: int, fine: bool) -> None:
    found = [problem.place for problem in problems_of(row(cause="c" * length))]
    assert found == ([] if fine else ["alarms[HI].cause"])


@pytest.mark.parametrize(("most", "fine"), [(2, True), (1, False)])
def test_each_takes_so_many_names_and_no_more(monkeypatch: pytest.MonkeyPatch, most: int, fine: bool) -> None:
    monkeypatch.setattr(rows, "EACH_MAX", most)
    cells = row("{each}.COMM", type="COMM", device="{each}", each=["D-1", "D-2"])
    assert [problem.place for problem in problems_of(cells)] == ([] if fine else ["alarms[{each}.COMM].each"])


@pytest.mark.parametrize(("most", "compiled"), [(2, 2), (3, 3)])
def test_a_plant_takes_so_many_alarms_and_no_more(monkeypatch: pytest.MonkeyPatch, most: int, compiled: int) -> None:
    monkeypatch.setattr(rules, "RULES_MAX", most)
    found, problems = compile_rules(small_plant(row("A"), row("B"), row("C")), {})
    assert len(found) == compiled
    assert any("more than 2 alarms" in problem.wrong for problem in problems) is (most == 2)


def test_a_row_with_a_problem_gives_no_rule_though_what_it_watches_is_clear() -> None:
    assert compile_rules(small_plant(row(priority=9)), {})[0] == ()
    assert compile_rules(small_plant(row(latching="yes")), {})[0] == ()


@pytest.mark.parametrize(
    ("cells", "named"),
    [({"on_delay_s": 60}, "CH-1.chws_temp"), ({"type": "COMM", "device": "D-1", "on_delay_s": 60}, "D-1")],
)
def test_the_warning_about_slow_detection_names_what_to_poll(cells: dict[str, Any], named: str) -> None:
    problems = problems_of(row(time_to_respond_s=60, **cells))
    assert problems[0].remedy == f"warning: shorten on_delay_s, or poll {named} more often"


# --- sheets -----------------------------------------------------------------------------------------------
def test_a_sheet_needs_both_its_first_columns() -> None:
    for head in ("id", "type"):
        assert [problem.wrong for problem in read_sheet(f"{head}\nA\n", "s.csv")[1]] == ["no columns 'id' and 'type'"]


def test_a_sheet_takes_so_many_rows_and_no_more(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(sheet, "ROWS_MAX", 2)
    text = "id,type\nA,HI\nB,HI\n"
    assert (len(read_sheet(text, "s.csv")[0]), read_sheet(text, "s.csv")[1]) == (2, [])
    assert [problem.wrong for problem in read_sheet(text + "C,HI\n", "s.csv")[1]] == ["more than 2 alarms"]


def test_a_line_shorter_or_longer_than_the_head_is_read_as_far_as_it_goes() -> None:
    found, problems = read_sheet("id,type,cause\nA,HI\nB,HI,x,y\n", "s.csv")
    assert problems == []
    assert [{key: one[key] for key in ("id", "type")} for one in found] == [
        {"id": "A", "type": "HI"},
        {"id": "B", "type": "HI"},
    ]


def test_yes_and_no_of_a_sheet_are_true_and_false_and_signs_stay_as_they_are() -> None:
    found, _ = read_sheet("id,type,latching,cause\nA,HI,yes,ΔT\nB,HI,No,ΔT\n", "s.csv")
    assert [one["latching"] for one in found] == [True, False]
    assert 'cause = "ΔT"' in toml_rows(found)


# --- starting sets ----------------------------------------------------------------------------------------
def started(name: str, **changed: object) -> list[dict[str, object]]:
    plant = load_plant(CHECKOUT / "config" / name)
    return starting_set(replace(plant, **changed), Derivation(plant).signals).rows  # type: ignore[arg-type]


def test_a_starting_set_holds_each_machines_trip_with_the_causes_that_it_follows() -> None:
    found = {str(one["id"]): one for one in started("larkfield")}
    assert found["CH-1.FAULT"]["follows"] == ("CH-1.CHW-FLOW", "CH-1.CW-FLOW")
    assert {"chw-supply.CHWS-HI", "BC-1.OWN", "BC-2.OWN", "COMMON-LOSS"} <= set(found)
    assert "CH-1-PANEL.OWN" not in found, "a Modbus device has no alarms of its own"
    assert [name for name in found if name.endswith(".CHWS-HI") and not name.startswith("CH-")] == [
        "chw-supply.CHWS-HI"
    ]


def test_efficiency_is_judged_above_three_tenths_of_the_capacity() -> None:
    found = {str(one["id"]): one for one in started("larkfield")}
    plant = load_plant(CHECKOUT / "config" / "larkfield")
    capacity = sum(item.design["cooling_capacity"] for item in plant.of_kind("chiller"))
    assert f"PLANT.cooling_load above {0.3 * capacity:.0f} kW" in str(found["PLANT-KW-PER-TON"]["when"])


@pytest.mark.parametrize(("count", "common"), [(2, False), (3, True)])
def test_a_common_loss_needs_three_devices(count: int, common: bool) -> None:
    plant: Plant = load_plant(CHECKOUT / "config" / "larkfield")
    few = dict(list(plant.devices.items())[:count])
    found = {str(one["id"]) for one in started("larkfield", devices=few)}
    assert ("COMMON-LOSS" in found) is common
    assert "PLANT-KW-PER-TON" in found, "what is no loss does not depend on it"


@pytest.mark.parametrize("missing", ["temp", "setpoint"])
def test_a_supply_without_sensor_or_setpoint_gets_no_alarm(missing: str) -> None:
    plant = load_plant(CHECKOUT / "config" / "larkfield")
    points = {name: point for name, point in plant.points.items() if name != f"chw-supply.{missing}"}
    left_out = starting_set(replace(plant, points=points), {}).left_out
    assert not any(line.startswith("chw-supply.CHWS-HI") for line in left_out), "it is not even tried"


# --- what lies over an alarm --------------------------------------------------------------------------------
def test_a_shelf_that_ended_while_stopped_ends_at_once_where_the_alarm_does_not_apply(tmp_path: Path) -> None:
    rig = Rig(row(when="CH-1.status is RUN"), folder=tmp_path)
    rig.scan(0, status=1, temp=51)
    rig.engine.shelve("HI", "JD", "known", 60.0)
    rig.clock.go_to(100)
    rig.restart()
    rig.scan(101, status=0)
    assert rig.state() == "DSUPR"


def test_an_alarm_that_ceased_to_apply_on_its_shelf_is_inactive_after_a_kill(tmp_path: Path) -> None:
    rig = Rig(row(when="CH-1.status is RUN"), folder=tmp_path)
    rig.scan(0, status=1, temp=51)
    rig.engine.shelve("HI", "JD", "known", 600.0)
    rig.scan(10, status=0)
    assert rig.state() == "SHLVD"
    rig.restart()
    rig.scan(700)
    assert rig.annunciated() == [0]
    assert rig.engine.record("HI")["active"] is False  # type: ignore[index]


def test_a_shelf_that_ends_while_we_watch_says_so_and_nothing_else() -> None:
    rig = Rig(row())
    rig.scan(0, temp=51)
    rig.engine.shelve("HI", "JD", "known", 60.0)
    rig.scan(60)
    assert rig.lines()[-1]["text"] == "shelf ended: Leaving chilled water 51.0 °F, limit 50.0"


def test_a_returned_lower_limit_that_rises_with_the_higher_one_is_covered_by_it() -> None:
    rig = Rig(row("LOWER", limit="48 degF"), row("HIGHER", type="HIHI", limit="52 degF"))
    rig.scan(0, temp=49)
    rig.scan(10, temp=45)
    assert rig.state("LOWER") == "RTNUN"
    rig.scan(20, temp=53)
    assert (rig.state("LOWER"), rig.engine.record("LOWER")["suppressed_by"]) == ("DSUPR", "HIGHER")  # type: ignore[index]


def test_a_group_with_an_unseen_member_is_not_over() -> None:
    rig = Rig(row("A", first_out="G"), row("B", type="STATE", point="CH-1.fault", states=["FAULT"], first_out="G"))
    rig.scan(0, temp=51, fault=0)
    rig.scan(10, temp=45)
    rig.scan(60, fault=1)
    assert (rig.engine.first_out("G")["A"].rank, rig.engine.first_out("G")["B"].rank) == (1, 2)


# --- the store ----------------------------------------------------------------------------------------------
def broken(rig: Rig, folder: Path) -> None:
    """Let the disk fail: the file is gone and its folder takes none."""
    rig.store._disconnect()
    for path in folder.glob("alarms.db*"):
        path.unlink()
    folder.joinpath("alarms.db").mkdir()


def test_a_failing_disk_is_tried_again_after_thirty_seconds_and_at_the_end(tmp_path: Path) -> None:
    rig = Rig(row(), folder=tmp_path)
    broken(rig, tmp_path)
    rig.scan(0, temp=51)
    assert rig.store._db is None
    assert "alarms are not written" in rig.engine.health()
    tmp_path.joinpath("alarms.db").rmdir()
    rig.scan(29)
    assert rig.engine.health()
    rig.scan(30)
    assert rig.engine.health() == ""
    assert [line["kind"] for line in rig.lines()] == ["ANN"]
    broken(rig, tmp_path)
    rig.engine.acknowledge("HI", "JD")
    tmp_path.joinpath("alarms.db").rmdir()
    rig.engine.close()
    again = Rig(row(), folder=tmp_path)
    assert again.state() == "ACKED", "what waited was written at the end, whatever the time"


def test_a_page_of_the_journal_holds_no_more_lines_than_asked_for_waiting_ones_among_them() -> None:
    rig = Rig(row())
    rig.scan(0, temp=51)
    rig.engine.acknowledge("HI", "JD")
    rig.store._waiting.extend(rig.entries)
    assert len(rig.engine.journal(2)) == 2
    assert [line["seq"] for line in rig.engine.journal(10)] == [0, 2, 1]
    rig.store._waiting.clear()


def test_figures_begin_with_the_journal() -> None:
    rig = Rig(row())
    rig.scan(10, temp=51)
    first_ms = rig.clock.now_ms()
    lines, from_ms = rig.engine.lines(0, first_ms + 1_000)
    assert from_ms == first_ms
    assert [(line.kind, line.alarm, line.annunciated) for line in lines] == [("ANN", "HI", True)]


def test_a_schema_that_is_no_number_is_taken_for_todays(tmp_path: Path) -> None:
    rig = Rig(row(), folder=tmp_path)
    rig.scan(0, temp=51)
    with rig.store._db as db:  # type: ignore[union-attr]
        db.execute("UPDATE meta SET value = 'x' WHERE key = 'schema'")
    rig.restart()
    assert rig.state() == "UNACK"
    with rig.store._db as db:  # type: ignore[union-attr]
        db.execute("DELETE FROM meta")
    rig.restart()
    assert (rig.state(), rig.engine.health()) == ("UNACK", "")


# --- dead bands, and the moments at which something just begins -----------------------------------
@pytest.mark.parametrize(
    ("cells", "steps"),
    [
        # a low limit clears above limit + dead band; equal to either neither sets nor clears (135 clause 13.3.6)
        ({"type": "LO", "limit": "40 degF", "deadband": "1 degF"},
         [(40.0, "NORM"), (39.99, "UNACK"), (40.5, "UNACK"), (41.0, "UNACK"), (41.01, "RTNUN")]),
        # a rate: the change of the last minute has to fall below limit - dead band
        ({"type": "ROC", "point": "CH-1.chws_temp", "limit": "4 degF", "deadband": "1 degF", "within_s": 60},
         [(44.0, "NORM"), (48.0, "NORM"), (48.1, "UNACK"), (47.5, "UNACK"), (47.0, "UNACK"), (46.9, "RTNUN")]),
    ],
)  # fmt: skip
def test_a_dead_band_lies_on_the_side_of_the_return(cells: dict[str, Any], steps: list[tuple[float, str]]) -> None:
    rig = Rig(row(**cells))
    for at_s, (value, state) in enumerate(steps):
        rig.scan(at_s, temp=value)
        assert (value, rig.state()) == (value, state)


@pytest.mark.parametrize(("lost_s", "together"), [(59.9, False), (60, True)])
def test_a_device_that_was_heard_for_a_minute_can_be_lost_together_with_others(lost_s: float, together: bool) -> None:
    rig = Rig(row("LOSS", type="LOSS", devices_min=2, within_s=30))
    rig.scan(0)
    rig.silent = {"D-1": "no answer", "D-2": "no answer"}
    rig.scan(lost_s)
    rig.scan(lost_s + 1)
    assert rig.state("LOSS") == ("UNACK" if together else "NORM")


@pytest.mark.parametrize(
    ("lost", "called"),
    [("", ["RUN", "VALVE"]), ("CHWP-1.command", ["VALVE"]), ("CHWP-1.status", ["VALVE"]), ("V-1.command", ["RUN"]), ("V-1.position", ["RUN"])],
)  # fmt: skip
def test_an_order_or_an_answer_that_is_not_read_is_no_mismatch(lost: str, called: list[str]) -> None:
    rig = Rig(
        row("RUN", type="MISMATCH", point="CHWP-1.status", command="CHWP-1.command"),
        row("VALVE", type="MISMATCH", point="V-1.position", command="V-1.command", limit="10 %"),
    )
    known = {"CHWP-1.command": 1.0, "CHWP-1.status": 0.0, "V-1.command": 50.0, "V-1.position": 0.0}
    for name, value in known.items():
        rig.set(name, None if name == lost else value)
    rig.scan(0)
    assert sorted(entry.alarm for entry in rig.entries if entry.annunciated) == called


@pytest.mark.parametrize(("answer", "called"), [(0.0, True), (1.0, False), (3.0, False)])
def test_an_answer_that_says_neither_on_nor_off_is_no_mismatch(answer: float, called: bool) -> None:
    rig = Rig(row("MODE", type="MISMATCH", point="CH-1.mode", command="CHWP-1.command"))
    rig.set("CHWP-1.command", 1.0)
    rig.set("CH-1.mode", answer)
    rig.scan(0)
    assert bool(rig.annunciated("MODE")) is called
