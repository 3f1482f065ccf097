"""Edges that a small mistake in the alarms would move: exactly at a bound, the first moment, the period that begins late."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest

from plantview.alarms import Search
from plantview.alarms.advice import advice
from plantview.alarms.delay import Delay, Edge
from plantview.alarms.expression import DEPTH_MAX, LENGTH_MAX, ExpressionError, parse
from plantview.alarms.figures import DAY_MS, Line, figures
from plantview.alarms.firstout import Episode, Seen
from plantview.alarms.gate import Gate
from plantview.alarms.journal import Entry
from plantview.alarms.watch import Deviation
from plantview.model.reading import Frame, good
from plantview.model.signal import signal_of
from plantview.units import unit
from tests.unit.alarm_rig import Rig, problems_of, row, small_plant

TEMP = "CH-1.chws_temp"
T0 = 1_764_000_000_000
SIGNALS = {name: signal_of(point) for name, point in small_plant().points.items()}


def called(at_ms: int, alarm: str = "A", priority: int = 3) -> Line:
    return Line(at_ms, "ANN", alarm, priority, "", annunciated=True)


def advised(lines: list[Line], from_ms: int, to_ms: int) -> dict[str, dict[str, Any]]:
    return {item["name"]: item for item in advice(figures(lines, from_ms, to_ms))}


# --- figures of a period that does not begin at zero ------------------------------------------------------
def test_a_period_counts_from_its_own_beginning() -> None:
    lines = [called(T0 + 1_000), called(T0 + 2_000)]
    found = figures(lines, T0, T0 + 2 * DAY_MS)
    assert (found["per_day"], found["per_hour"]) == (1.0, 1.0 / 24)
    assert found["stale"] == ["A"]
    assert figures(lines, T0, T0 + DAY_MS)["stale"] == [], "active for less than a day, whatever the date"
    assert advised(lines, T0, T0 + DAY_MS - 1)["annunciated per day"]["ok"] is None
    assert advised(lines, T0, T0 + DAY_MS)["annunciated per day"]["ok"] is True


@pytest.mark.parametrize(("different", "judged"), [(15, False), (20, False), (21, True)])
def test_the_share_of_the_ten_most_frequent_is_judged_above_twenty_alarms(different: int, judged: bool) -> None:
    lines = [called(number, f"A{number}") for number in range(different)]
    found = advised(lines, 0, 30 * DAY_MS)["share of the ten most frequent"]
    assert (found["ok"], found["measured"]) == ((False, "47.6 %") if judged else (None, "too few"))


@pytest.mark.parametrize(("calls", "judged"), [(20, False), (21, True)])
def test_the_share_of_the_urgent_is_judged_above_twenty_calls(calls: int, judged: bool) -> None:
    found = advised([called(number, "A", 1) for number in range(calls)], 0, 30 * DAY_MS)["priority 1 and 2 of all"]
    assert (found["ok"], found["measured"]) == ((False, "100.0 %") if judged else (None, "too few"))


def test_ten_in_ten_minutes_are_not_more_than_ten() -> None:
    assert figures([called(number) for number in range(10)], 0, 600_000)["crowded_pct"] == 0.0
    assert figures([called(number) for number in range(11)], 0, 600_000)["crowded_pct"] == 100.0


@pytest.mark.parametrize(("after", "ends_ms"), [(4, 600_000), (5, 1_200_000)])
def test_a_flood_goes_on_through_five_and_ends_with_four(after: int, ends_ms: int) -> None:
    lines = [called(number) for number in range(10)] + [called(600_000 + number) for number in range(after)]
    assert figures(lines, 0, 1_800_000)["floods"] == [
        {"from_ms": 0, "to_ms": ends_ms, "count": 10 + after * (after > 4)}
    ]


# --- first moments ----------------------------------------------------------------------------------------
def test_a_fresh_engine_has_said_nothing_yet() -> None:
    rig = Rig(row())
    assert rig.engine.seq == 0
    assert rig.engine.lines(0, 1_000) == ([], 999)
    assert rig.engine.snapshot()["frozen"] == 0, "no device is known to be silent"


def test_a_delay_begins_inactive() -> None:
    assert Delay(0.0, 0.0).active is False
    assert Delay(0.0, 0.0).step(False, 0.0) is Edge.NONE


def test_a_line_says_its_note_or_its_text_or_both_with_a_colon_only_between_two() -> None:
    rig = Rig(row("GATED", when="CH-1.status is RUN"), row("HI"))
    rig.scan(0, status=0, temp=45)
    rig.scan(10, status=1, temp=51)
    rig.engine.acknowledge("HI", "JD", "seen")
    texts = {(line["alarm"], line["kind"]): line["text"] for line in rig.lines()}
    assert texts["GATED", "SUPPRESS"] == "it does not apply now"
    assert texts["HI", "ANN"] == "Leaving chilled water 51.0 °F, limit 50.0"
    assert texts["HI", "ACK"] == "seen: Leaving chilled water 51.0 °F, limit 50.0"


def test_a_suppression_that_ended_is_named_no_more() -> None:
    rig = Rig(row("GATED", when="CH-1.status is RUN"))
    rig.scan(0, status=0, temp=45)
    assert rig.engine.record("GATED")["suppressed_by"] == "by design"  # type: ignore[index]
    rig.scan(10, status=1)
    assert rig.engine.record("GATED")["suppressed_by"] == ""  # type: ignore[index]


def test_an_unknown_alarm_is_unshelved_by_nobody() -> None:
    refusal = Rig(row()).engine.unshelve("NONE", "JD")
    assert refusal is not None
    assert refusal.code == "unknown_alarm"


# --- the clock --------------------------------------------------------------------------------------------
@pytest.mark.parametrize(("step_s", "noted"), [(1.9, []), (2.0, ["the clock was stepped by +2 s"])])
def test_two_seconds_are_a_stepped_clock(step_s: float, noted: list[str]) -> None:
    rig = Rig(row())
    rig.scan(0, temp=45)
    rig.clock.step(step_s)
    rig.scan(1)
    assert [line["text"] for line in rig.lines() if line["kind"] == "CLOCK"] == noted


@pytest.mark.parametrize("step_s", [-3_600.0, 3_600.0])
def test_a_shelf_over_a_stepped_clock_and_a_kill_ends_when_it_was_meant_to(tmp_path: Path, step_s: float) -> None:
    rig = Rig(row("HI"), row("OTHER", limit="60 degF"), folder=tmp_path)
    rig.scan(0, temp=51)
    rig.engine.shelve("HI", "JD", "part ordered", 600.0)
    rig.scan(100)
    rig.clock.step(step_s)
    rig.scan(101)
    rig.clock.go_to(200)
    rig.restart()
    rig.scan(599, temp=51)
    assert (rig.state("HI"), rig.engine.snapshot()["shelved"][0]["shelved_until_ms"]) == (
        "SHLVD",
        rig.clock.now_ms() + 1_000,
    )
    rig.scan(600)
    assert rig.state("HI") == "UNACK"


def test_a_one_shot_shelf_and_an_alarm_that_is_on_none_outlive_a_stepped_clock() -> None:
    rig = Rig(row("ONCE"), row("FREE", limit="49 degF"))
    rig.scan(0, temp=51)
    rig.engine.shelve("FREE", "JD", "known", 60.0)
    rig.engine.unshelve("FREE", "JD")
    rig.engine.shelve("ONCE", "JD", "known", None)
    rig.clock.step(3_600.0)
    rig.scan(1)
    assert (rig.state("ONCE"), rig.state("FREE")) == ("SHLVD", "UNACK")
    assert rig.engine.snapshot()["shelved"][0]["shelved_until_ms"] is None
    assert rig.engine._lives["FREE"].kept.shelved_until_ms == 0


# --- conditions -------------------------------------------------------------------------------------------
def test_the_longest_and_the_deepest_condition_are_read_and_one_more_is_refused() -> None:
    plant = small_plant()
    text = "CH-1 runs" + " " * (LENGTH_MAX - len("CH-1 runs"))
    assert parse(text, plant, SIGNALS)
    with pytest.raises(ExpressionError):
        parse(text + " ", plant, SIGNALS)
    assert parse("(" * DEPTH_MAX + "CH-1 runs" + ")" * DEPTH_MAX, plant, SIGNALS)
    with pytest.raises(ExpressionError):
        parse("(" * (DEPTH_MAX + 1) + "CH-1 runs" + ")" * (DEPTH_MAX + 1), plant, SIGNALS)


def test_a_condition_without_a_running_time_is_settled_and_one_with_it_is_not() -> None:
    frame = Frame(0, 0, {"CH-1.status": good(1.0, 0)})
    plain = Gate(parse("CH-1 runs", small_plant(), SIGNALS))
    timed = Gate(parse("CH-1 runs for 5 min", small_plant(), SIGNALS))
    assert (plain.evaluate(frame, 0.0), plain.settled) == (True, True)
    assert (timed.evaluate(frame, 0.0), timed.settled) == (None, False)
    assert (timed.evaluate(frame, 300.0), timed.settled) == (True, True)


# --- first-out and journal --------------------------------------------------------------------------------
def test_two_equal_device_times_are_a_tie() -> None:
    places = Episode((Seen("A", 0, 1_000, 500), Seen("B", 0, 1_000, 500))).places()
    assert [(place.rank, place.tied) for place in places.values()] == [(1, True), (1, True)]


def entry(at_ms: int = 10, kind: str = "ANN", before: str = "NORM") -> Entry:
    return Entry(at_ms, kind, "A", "CH-1", before, "UNACK", 2, "", "text", annunciated=True)


def test_a_search_begins_with_its_first_moment_and_ends_before_its_last() -> None:
    assert [Search(from_ms=at).wants(entry()) for at in (9, 10, 11)] == [True, True, False]
    assert [Search(to_ms=at).wants(entry()) for at in (10, 11)] == [False, True]


def test_only_the_coming_and_going_of_normal_alarms_is_routine() -> None:
    rows = [("SUPPRESS", "NORM"), ("UNSUPPRESS", "DSUPR"), ("SUPPRESS", "UNACK"), ("ANN", "NORM")]
    assert [Search().wants(entry(kind=kind, before=before)) for kind, before in rows] == [False, False, True, True]


# --- what rests -------------------------------------------------------------------------------------------
def awake(rig: Rig) -> list[str]:
    """Return the alarms that the next scan would judge though nothing changed."""
    return [life.rule.id for life in rig.engine._quiet.awake(Frame(9, 9, dict(rig.readings)), rig.silent, ())]


def test_alarms_about_which_nothing_can_have_changed_rest_even_exactly_at_their_limit() -> None:
    rig = Rig(row("HI"), row("BAD", type="BADQ", point="CH-1.chws_temp"), row("GATED", when="CH-1 runs"))
    for at_s in (0, 1, 2):
        rig.scan(at_s, temp=50, status=1)
    assert awake(rig) == []
    rig.set("CH-1.chws_temp", 50.01)
    assert awake(rig) == ["HI", "GATED"]


def test_low_limits_deviations_and_what_does_not_apply_rest_too() -> None:
    rig = Rig(
        row("LO", type="LO", limit="38 degF"),
        row("DEV", type="DEV_HI", point=TEMP, setpoint="CH-1.setpoint", limit="3 degF", deadband="0 degF"),
        row("OFF", limit="40 degF", when="CH-1.mode is OFF"),
        row("RATE", type="ROC", point=TEMP, limit="9 degF", within_s=30, deadband="0 degF"),
    )  # fmt: skip
    rig.set("CH-1.setpoint", 47.2)
    rig.set("CH-1.mode", 3)
    for at_s in (0, 1, 2):
        rig.scan(at_s, temp=50)
    assert rig.state("OFF") == "DSUPR"
    assert awake(rig) == ["RATE"], "a rate needs every reading"
    rig.set("CH-1.setpoint", 46.9)
    assert "DEV" in awake(rig)


def test_what_another_alarm_speaks_for_does_not_rest() -> None:
    rig = Rig(row("LOWER", limit="48 degF"), row("HIGHER", type="HIHI", limit="52 degF"))
    for at_s in (0, 1, 2):
        rig.scan(at_s, temp=53)
    assert rig.state("LOWER") == "DSUPR"
    assert awake(rig) == ["HIGHER", "LOWER"]


# --- consequences -----------------------------------------------------------------------------------------
CAUSE = row("CAUSE", limit="50 degF", first_out="G")
EFFECT = row("EFFECT", type="STATE", point="CH-1.fault", states=["FAULT"], follows=["CAUSE"], first_out="G")


def test_a_consequence_is_covered_while_its_cause_stands_and_then_asks_for_somebody_itself() -> None:
    rig = Rig(EFFECT, CAUSE)
    rig.scan(0, temp=51, fault=0)
    rig.scan(5, fault=1)
    assert (rig.state("CAUSE"), rig.state("EFFECT")) == ("UNACK", "DSUPR")
    assert [item.alarm for item in rig.entries if item.annunciated] == ["CAUSE"]
    assert rig.kinds("EFFECT") == ["COVERED"]
    assert (rig.engine.first_out("G")["CAUSE"].rank, rig.engine.first_out("G")["EFFECT"].rank) == (1, 2)
    rig.engine.acknowledge("CAUSE", "JD")
    rig.scan(20, temp=45)
    assert (rig.state("CAUSE"), rig.state("EFFECT")) == ("NORM", "UNACK"), "nobody has seen the consequence yet"
    assert rig.engine.record("EFFECT")["acked_by"] == ""  # type: ignore[index]


def test_a_consequence_that_called_first_is_left_as_it_is() -> None:
    rig = Rig(EFFECT, CAUSE)
    rig.scan(0, temp=45, fault=1)
    rig.engine.acknowledge("EFFECT", "JD")
    rig.scan(5, temp=51)
    assert (rig.state("CAUSE"), rig.state("EFFECT")) == ("UNACK", "ACKED")


def test_the_cause_that_stands_speaks_whichever_of_several_it_is() -> None:
    rig = Rig(
        EFFECT | {"follows": ["CAUSE", "SECOND"]},
        CAUSE,
        row("SECOND", type="LO", point="CH-1.chw_flow", limit="100 gpm", deadband="0 gpm"),
    )
    rig.set("CH-1.chw_flow", 0)
    rig.scan(0, temp=45, fault=1)
    assert rig.engine.record("EFFECT")["suppressed_by"] == "SECOND"  # type: ignore[index]
    assert rig.engine.record("EFFECT")["speaks_for_it"] == "CAUSE, SECOND"  # type: ignore[index]
    rig.set("CH-1.chw_flow", 400)
    rig.scan(5)
    assert rig.state("EFFECT") == "UNACK"


def test_a_consequence_speaks_for_itself_when_its_cause_is_shelved() -> None:
    rig = Rig(EFFECT, CAUSE)
    rig.scan(0, temp=51, fault=1)
    assert rig.state("EFFECT") == "DSUPR"
    rig.engine.shelve("CAUSE", "JD", "known", 600.0)
    rig.scan(5)
    assert rig.state("EFFECT") == "UNACK"
    assert rig.annunciated("EFFECT") == [5]


@pytest.mark.parametrize(
    ("rows", "wrong"),
    [
        ((EFFECT | {"follows": ["CAUSES"]}, CAUSE), "no alarm 'CAUSES' that calls; did you mean CAUSE?"),
        ((EFFECT, CAUSE | {"consequence": ""}), "no alarm 'CAUSE' that calls"),
        ((EFFECT, CAUSE | {"follows": ["EFFECT"]}), "CAUSE follows another alarm itself"),
        ((EFFECT | {"follows": "CAUSE"}, CAUSE), "must be a list of words"),
    ],
)
def test_a_consequence_of_what_is_not_there_is_a_problem(rows: tuple[dict[str, Any], ...], wrong: str) -> None:
    found = [problem for problem in problems_of(*rows) if not problem.remedy.startswith("warning")]
    assert found[0].wrong == wrong
    assert found[0].place.endswith(".follows")


# --- comments ---------------------------------------------------------------------------------------------
def test_a_comment_is_journalled_with_its_person_and_stands_on_the_list_until_it_is_over() -> None:
    rig = Rig(row())
    rig.scan(0, temp=51)
    assert rig.engine.comment("HI", "JD", "strainer is being cleaned") is None
    listed = rig.engine.snapshot()["active"][0]
    assert (listed["state"], listed["comment"], listed["acked_by"]) == ("UNACK", "strainer is being cleaned", "")
    line = rig.lines()[-1]
    assert (line["kind"], line["person"], line["before"], line["after"]) == ("NOTE", "JD", "UNACK", "UNACK")
    assert line["text"] == "strainer is being cleaned: Leaving chilled water 51.0 °F, limit 50.0"
    rig.engine.acknowledge("HI", "JD", "seen")
    rig.scan(10, temp=45)
    assert rig.engine.record("HI")["comment"] == ""  # type: ignore[index]


def test_a_comment_on_a_normal_alarm_is_in_the_journal_alone_and_survives_a_kill(tmp_path: Path) -> None:
    rig = Rig(row(), folder=tmp_path)
    rig.scan(0, temp=45)
    assert rig.engine.comment("HI", "JD", "checked on the round") is None
    rig.restart()
    assert rig.engine.record("HI")["comment"] == ""  # type: ignore[index]
    assert [(line["kind"], line["text"]) for line in rig.lines()] == [("NOTE", "checked on the round")]


@pytest.mark.parametrize(
    ("alarm", "person", "text", "code"),
    [
        ("NONE", "JD", "x", "unknown_alarm"),
        ("EVENT", "JD", "x", "unknown_alarm"),
        ("HI", "J", "x", "person"),
        ("HI", "JD", "  ", "text"),
        ("HI", "JD", "x\x1b", "text"),
        ("HI", "JD", "x" * 501, "text"),
    ],
)
def test_a_comment_without_person_text_or_alarm_is_refused_and_journalled(
    alarm: str, person: str, text: str, code: str
) -> None:
    rig = Rig(row(), row("EVENT", consequence=""))
    refusal = rig.engine.comment(alarm, person, text)
    assert refusal is not None
    assert refusal.code == code
    assert [line["kind"] for line in rig.lines()] == ["REFUSED"]


# --- what is watched --------------------------------------------------------------------------------------
@pytest.mark.parametrize(("later_s", "called"), [(30, True), (31, False)])
def test_a_reading_exactly_as_old_as_the_window_still_counts_for_a_rate(later_s: float, called: bool) -> None:
    rig = Rig(row(type="ROC", point=TEMP, limit="4 degF", within_s=30, deadband="0 degF"))
    rig.scan(0, temp=44)
    rig.scan(later_s, temp=49)
    assert (rig.state() == "UNACK") is called


def test_a_setpoint_in_another_unit_that_is_not_read_decides_nothing() -> None:
    setpoint = replace(SIGNALS["CH-1.setpoint"], unit=unit("degC", "temperature"))
    watch = Deviation(SIGNALS[TEMP], setpoint, upper=True, limit=3.0, deadband=0.0)
    assert watch.target(Frame(0, 0, {})) is None
    assert watch.target(Frame(0, 0, {"CH-1.setpoint": good(10.0, 0)})) == pytest.approx(50.0)
