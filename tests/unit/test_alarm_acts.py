"""What people do to alarms, limit groups, silent devices, a stepped clock, first-out."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import pytest

from plantview.alarms import AlarmEngine, AlarmStore, compile_rules
from plantview.model.quality import Quality
from plantview.model.reading import Frame, Reading, good
from plantview.model.signal import signal_of
from plantview.units import unit
from tests.unit.alarm_rig import HandClock, Rig, row, small_plant

HIHI: tuple[dict[str, Any], ...] = (
    row("HI", limit="48 degF"),
    row("HIHI", type="HIHI", limit="52 degF", deadband="0 degF"),
)
COMM = {"type": "COMM", "device": "D-1"}


# --- I1: a shelf needs a reason and a bound ------------------------------------------------
@pytest.mark.parametrize(
    ("person", "reason", "seconds", "code"),
    [
        ("JD", "known", 0.0, "duration"),
        ("JD", "known", -1.0, "duration"),
        ("JD", "known", float("nan"), "duration"),
        ("JD", "known", 3_601.0, "duration"),
        ("JD", "  ", 600.0, "reason"),
        ("J", "known", 600.0, "person"),
        ("J" * 61, "known", 600.0, "person"),
        ("J\n", "known", 600.0, "person"),
        ("JD", "known\x1b[2J", 600.0, "text"),
        ("JD", "k" * 501, 600.0, "text"),
    ],
)
def test_a_shelf_without_person_reason_or_bound_is_refused_and_journalled(
    person: str, reason: str, seconds: float, code: str
) -> None:
    rig = Rig(row(shelve_max_s=3_600))
    rig.scan(0, temp=51)
    refusal = rig.engine.shelve("HI", person, reason, seconds)
    assert refusal is not None
    assert refusal.code == code
    assert rig.state() == "UNACK"
    line = rig.engine.journal(1)[0]
    assert (line["kind"], line["alarm"]) == ("REFUSED", "HI")
    assert refusal.error in line["text"]
    assert line["text"].isprintable()


def test_the_longest_shelf_is_allowed() -> None:
    rig = Rig(row(shelve_max_s=3_600))
    rig.scan(0, temp=51)
    assert rig.engine.shelve("HI", "JD", "known", 3_600.0) is None
    assert rig.state() == "SHLVD"


def test_a_one_shot_shelf_of_an_alarm_that_is_not_active_is_refused() -> None:
    rig = Rig(row())
    rig.scan(0, temp=45)
    refusal = rig.engine.shelve("HI", "JD", "known", None)
    assert refusal is not None
    assert refusal.code == "not_active"


def test_a_safety_alarm_is_neither_shelved_nor_taken_out_of_service() -> None:
    rig = Rig(row(class_="safety"))
    rig.scan(0, temp=51)
    assert [
        refusal and refusal.code
        for refusal in (
            rig.engine.shelve("HI", "JD", "noise", 60.0),
            rig.engine.out_of_service("HI", "JD", "noise"),
        )
    ] == ["protected", "protected"]
    assert rig.state() == "UNACK"


def test_an_alarm_that_does_not_exist_is_refused_by_name() -> None:
    rig = Rig(row())
    refusal = rig.engine.acknowledge("HO", "JD")
    assert refusal is not None
    assert "there is no alarm 'HO'" in refusal.error


def test_the_longest_person_and_comment_are_allowed() -> None:
    rig = Rig(row())
    rig.scan(0, temp=51)
    assert rig.engine.acknowledge("HI", "J" * 60, "k" * 500) is None


def test_a_new_call_of_the_same_alarm_asks_for_a_new_acknowledgement() -> None:
    rig = Rig(row(latching=True))
    rig.scan(0, temp=51)
    rig.engine.acknowledge("HI", "JD", "seen")
    rig.scan(10, temp=45)
    assert rig.engine.snapshot()["active"][0]["acked_by"] == "JD"
    rig.scan(20, temp=51)
    record = rig.engine.snapshot()["active"][0]
    assert (record["acked"], record["acked_by"], record["comment"]) == (False, "", "")


def test_the_acknowledgement_keeps_who_and_why_until_the_alarm_is_over() -> None:
    rig = Rig(row())
    rig.scan(0, temp=51)
    assert rig.engine.acknowledge("HI", "J. Doe", "valve ordered") is None
    record = rig.engine.snapshot()["active"][0]
    assert (record["acked"], record["acked_by"], record["comment"]) == (True, "J. Doe", "valve ordered")
    rig.scan(10, temp=45)
    rig.scan(20, temp=51)
    record = rig.engine.snapshot()["active"][0]
    assert (record["acked"], record["acked_by"], record["comment"]) == (False, "", "")


# --- I3: HI and HIHI on one point ---------------------------------------------------------
@pytest.mark.parametrize(("acked", "after"), [(True, "ACKED"), (False, "UNACK")])
def test_hihi_speaks_for_hi_and_hands_it_back(acked: bool, after: str) -> None:
    rig = Rig(*HIHI)
    rig.scan(0, temp=53)
    assert (rig.state("HI"), rig.state("HIHI")) == ("DSUPR", "UNACK")
    assert (rig.annunciated("HI"), rig.annunciated("HIHI")) == ([], [0])
    assert "HIHI speaks for it" in rig.engine.journal(10)[0]["text"]
    if acked:
        assert rig.engine.acknowledge("HIHI", "JD") is None
    rig.scan(10, temp=51.9)
    assert rig.state("HI") == after
    assert rig.annunciated("HI") == []
    assert rig.engine.snapshot()["active"][-1]["acked_by"] == ("JD" if acked else "")


def test_hi_first_then_hihi_calls_again_with_the_higher_limit() -> None:
    rig = Rig(*HIHI)
    rig.scan(0, temp=49)
    rig.engine.acknowledge("HI", "JD")
    rig.scan(10, temp=53)
    assert (rig.state("HI"), rig.state("HIHI")) == ("DSUPR", "UNACK")
    assert rig.annunciated("HIHI") == [10]


def test_a_lower_limit_whose_on_delay_still_runs_is_not_touched_by_the_higher_one() -> None:
    rig = Rig(row("HI", limit="48 degF", on_delay_s=60), HIHI[1])
    rig.scan(0, temp=53)
    rig.scan(30)
    assert (rig.state("HI"), rig.kinds("HI")) == ("NORM", [])
    rig.scan(60)
    assert (rig.state("HI"), rig.kinds("HI")) == ("DSUPR", ["COVERED"])


def test_both_limits_left_at_once_leave_only_the_higher_one_to_acknowledge() -> None:
    rig = Rig(*HIHI)
    rig.scan(0, temp=53)
    rig.scan(10, temp=40)
    assert (rig.state("HI"), rig.state("HIHI")) == ("NORM", "RTNUN")


def test_shelving_the_higher_limit_lets_the_lower_one_speak_for_itself() -> None:
    rig = Rig(*HIHI)
    rig.scan(0, temp=53)
    rig.engine.shelve("HIHI", "JD", "known", 600.0)
    rig.scan(1)
    assert (rig.state("HI"), rig.annunciated("HI")) == ("UNACK", [1])


def test_a_shelf_of_the_lower_limit_ends_without_a_call_while_the_higher_one_stands() -> None:
    rig = Rig(*HIHI)
    rig.scan(0, temp=49)
    rig.engine.shelve("HI", "JD", "known", 60.0)
    rig.scan(10, temp=53)
    rig.scan(70)
    assert (rig.state("HI"), rig.annunciated("HI")) == ("DSUPR", [0])


# --- I4: communication loss ----------------------------------------------------------------
def test_a_silent_device_raises_one_alarm_and_freezes_what_it_measures() -> None:
    rig = Rig(row("HI"), row("LO", type="LO", limit="40 degF"), row("COMM", **COMM))
    rig.scan(0, temp=51)
    rig.silent = {"D-1": "no answer in 3 s"}
    rig.scan(10, temp=30)  # whatever stands in the frame is old
    rig.scan(500)
    assert (rig.state("HI"), rig.state("LO"), rig.state("COMM")) == ("UNACK", "NORM", "UNACK")
    assert (rig.annunciated("HI"), rig.annunciated("LO"), rig.annunciated("COMM")) == ([0], [], [10])
    assert "RTN" not in rig.kinds("HI")
    by_id = {record["id"]: record for record in rig.engine.snapshot()["active"]}
    assert (by_id["HI"]["frozen"], by_id["COMM"]["frozen"]) == (True, False)
    assert by_id["COMM"]["text"] == "No answer from panel D-1: no answer in 3 s"
    assert rig.engine.snapshot()["frozen"] == 2
    rig.silent = {}
    rig.scan(510, temp=45)
    assert (rig.state("HI"), rig.state("COMM")) == ("RTNUN", "RTNUN")


def test_an_on_delay_starts_again_when_a_silent_device_answers() -> None:
    rig = Rig(row("HI", on_delay_s=30))
    rig.scan(0, temp=51)
    rig.silent = {"D-1": "silent"}
    rig.scan(20)
    rig.silent = {}
    rig.scan(40)
    rig.scan(69)
    assert rig.state() == "NORM"
    rig.scan(70)
    assert rig.state() == "UNACK"


def test_a_shelf_that_ends_while_its_device_is_silent_waits_for_the_answer() -> None:
    rig = Rig(row("HI"))
    rig.scan(0, temp=51)
    rig.engine.shelve("HI", "JD", "known", 60.0)
    rig.silent = {"D-1": "silent"}
    rig.scan(100)
    assert rig.state() == "SHLVD"
    rig.silent = {}
    rig.scan(110, temp=51)
    assert (rig.state(), rig.annunciated()) == ("UNACK", [0, 110])


# --- I5: clock step -------------------------------------------------------------------------
@pytest.mark.parametrize("step_s", [-3_600.0, 3_600.0])
def test_a_stepped_clock_sets_and_clears_nothing_and_moves_no_shelf(step_s: float) -> None:
    rig = Rig(row("HI", on_delay_s=30), row("LO", type="LO", limit="60 degF"))
    rig.scan(0, temp=51)
    rig.engine.shelve("LO", "JD", "known", 600.0)
    rig.scan(10)
    rig.clock.step(step_s)
    rig.scan(11)
    assert (rig.state("HI"), rig.state("LO")) == ("NORM", "SHLVD")
    rig.scan(29)
    assert rig.state("HI") == "NORM"
    rig.scan(30)
    assert rig.state("HI") == "UNACK"
    rig.scan(599)
    assert rig.state("LO") == "SHLVD"
    assert rig.engine.snapshot()["shelved"][0]["shelved_until_ms"] == rig.clock.now_ms() + 1_000
    rig.scan(600)
    assert rig.state("LO") == "UNACK"
    assert [line["text"] for line in rig.engine.journal(100) if line["kind"] == "CLOCK"] == [
        f"the clock was stepped by {step_s:+.0f} s"
    ]


# --- first-out -----------------------------------------------------------------------------
def _group(**cells: Any) -> Rig:
    a = row("A", first_out="G", **cells)
    return Rig(a, row("B", type="STATE", point="CH-1.fault", states=["FAULT"], first_out="G"))


def test_fo1_a_in_the_scan_before_b_is_first() -> None:
    rig = _group()
    rig.scan(0, temp=45, fault=0)
    rig.scan(10, temp=51)
    rig.scan(11, fault=1)
    places = rig.engine.first_out("G")
    assert (places["A"].rank, places["B"].rank) == (1, 2)
    assert not any(place.tied for place in places.values())


def test_fo2_both_in_one_scan_are_a_tie() -> None:
    rig = _group()
    rig.scan(0, temp=45, fault=0)
    rig.scan(10, temp=51, fault=1)
    assert {(r["first_out"], r["first_out_tie"]) for r in rig.engine.snapshot()["active"]} == {(1, True)}


def test_two_scans_within_one_poll_period_are_a_tie_too() -> None:
    rig = _group()
    rig.scan(0, temp=45, fault=0)
    rig.scan(10, temp=51)
    rig.scan(10.5, fault=1)
    assert {(place.rank, place.tied) for place in rig.engine.first_out("G").values()} == {(1, True)}


def test_fo3_device_stamps_decide_within_one_scan() -> None:
    rig = _group()
    rig.scan(0, temp=45, fault=0)
    start = rig.clock.now_ms()
    rig.scan(11, temp=51, fault=1, stamps={"A": start + 10_700, "B": start + 10_200})
    places = rig.engine.first_out("G")
    assert (places["B"].rank, places["A"].rank) == (1, 2)
    assert not any(place.tied for place in places.values())


def test_one_stamp_alone_decides_nothing() -> None:
    rig = _group()
    rig.scan(0, temp=45, fault=0)
    rig.scan(11, temp=51, fault=1, stamps={"A": rig.clock.now_ms() - 900})
    assert {place.tied for place in rig.engine.first_out("G").values()} == {True}


def test_fo4_reset_is_refused_while_a_member_is_active() -> None:
    rig = _group()
    rig.scan(10, temp=51, fault=1)
    rig.scan(20, temp=45)
    refusal = rig.engine.reset_first_out("G", "JD")
    assert refusal is not None
    assert refusal.code == "not_possible"
    assert set(rig.engine.first_out("G")) == {"A", "B"}


def test_a_first_out_group_that_is_not_there_or_a_reset_by_nobody_is_refused() -> None:
    rig = _group()
    refusals = [rig.engine.reset_first_out("H", "JD"), rig.engine.reset_first_out("G", "")]
    assert [refusal and refusal.code for refusal in refusals] == ["unknown_group", "person"]
    assert [line["kind"] for line in rig.engine.journal(10)] == ["REFUSED", "REFUSED"]


def test_fo5_reset_after_all_cleared_empties_the_group() -> None:
    rig = _group()
    rig.scan(10, temp=51, fault=1)
    rig.scan(20, temp=45, fault=0)
    assert rig.engine.reset_first_out("G", "JD") is None
    assert rig.engine.first_out("G") == {}


@pytest.mark.parametrize("step_s", [-3_600.0, 3_600.0])
def test_a_stepped_clock_does_not_turn_the_order_round(step_s: float) -> None:
    rig = _group()
    rig.scan(0, temp=45, fault=0)
    rig.scan(10, temp=51)
    rig.clock.step(step_s)
    rig.scan(20, fault=1)
    assert {name: place.rank for name, place in rig.engine.first_out("G").items()} == {"A": 1, "B": 2}


def test_a_long_on_delay_does_not_cost_the_cause_its_first_place() -> None:
    rig = _group(on_delay_s=30)
    rig.scan(0, temp=45, fault=0)
    rig.scan(10, temp=51)
    rig.scan(15, fault=1)
    rig.scan(40)
    assert rig.annunciated("A") == [40]
    places = rig.engine.first_out("G")
    assert (places["A"].rank, places["B"].rank) == (1, 2)


def test_a_group_that_is_over_begins_a_new_episode() -> None:
    rig = _group()
    rig.scan(10, temp=51, fault=0)
    rig.engine.acknowledge("A", "JD")
    rig.scan(20, temp=45)
    rig.scan(30, fault=1)
    assert set(rig.engine.first_out("G")) == {"B"}


# --- other types ---------------------------------------------------------------------------
@pytest.mark.parametrize(
    ("kind", "values"),
    [("DEV_HI", (50.0, 50.0, 50.0, 53.0, 53.1)), ("DEV_LO", (50.0, 50.0, 50.0, 47.0, 46.9))],
)
def test_a_setpoint_in_another_unit_is_compared_in_the_unit_of_the_value(kind: str, values: tuple[float, ...]) -> None:
    plant = small_plant(row(type=kind, point="CH-1.chws_temp", setpoint="PLANT.target", limit="3 degF"))
    target = replace(signal_of(plant.points["CH-1.setpoint"]), name="PLANT.target", unit=unit("degC", "temperature"))
    rules, _ = compile_rules(plant, {"PLANT.target": target})
    clock = HandClock()
    engine = AlarmEngine(rules, clock, AlarmStore(None, clock))
    for value in values:  # 10 °C is 50 °F
        engine.evaluate(Frame(1, 0, {"CH-1.chws_temp": good(value, 0), "PLANT.target": good(10.0, 0)}), {})
        assert len(engine.snapshot()["active"]) == (value is values[-1])


def test_an_alarm_with_a_setpoint_that_is_not_read_holds() -> None:
    rig = Rig(row(type="DEV_HI", point="CH-1.chws_temp", setpoint="CH-1.setpoint", limit="3 degF"))
    rig.set("CH-1.setpoint", 44)
    rig.scan(0, temp=51)
    rig.set("CH-1.setpoint", None)
    rig.scan(10, temp=40)
    assert rig.state() == "UNACK"
    assert rig.engine.snapshot()["active"][0]["text"].startswith("Leaving chilled water 51.0 °F")


def test_a_rate_alarm_looks_at_the_change_within_its_window_both_ways() -> None:
    rig = Rig(row(type="ROC", point="CH-1.chws_temp", limit="5 degF", within_s=60, deadband="1 degF"))
    for at, value, state in (
        (0, 44, "NORM"),
        (30, 49, "NORM"),
        (50, 49.1, "UNACK"),
        (120, 49.1, "RTNUN"),
        (130, 43, "UNACK"),
    ):
        rig.scan(at, temp=value)
        assert (at, rig.state()) == (at, state)


def test_a_gap_in_the_readings_is_no_rate() -> None:
    rig = Rig(row(type="ROC", point="CH-1.chws_temp", limit="5 degF", within_s=60, deadband="1 degF"))
    rig.scan(0, temp=44)
    rig.scan(10, temp=None)
    rig.scan(20, temp=60)
    assert rig.state() == "NORM"


def test_a_valve_off_its_command_by_more_than_allowed_is_a_mismatch() -> None:
    rig = Rig(row(type="MISMATCH", point="V-1.position", command="V-1.command", limit="10 %"))
    for at, position, state in ((0, 60.0, "NORM"), (10, 60.1, "UNACK"), (20, 45.0, "RTNUN")):
        rig.set("V-1.command", 50.0)
        rig.set("V-1.position", position)
        rig.scan(at)
        assert rig.state() == state


def test_a_bad_reading_is_an_alarm_of_its_own_and_a_stale_one_is_not() -> None:
    rig = Rig(row(type="BADQ", point="CH-1.chws_temp"))
    rig.readings["CH-1.chws_temp"] = Reading(44.0, Quality.STALE, "old", rig.clock.now_ms())
    rig.scan(0)
    assert rig.state() == "NORM"
    rig.scan(10, temp=None)
    assert rig.state() == "UNACK"
    assert rig.engine.snapshot()["active"][0]["text"] == "Leaving chilled water: no usable value, sensor open"
    rig.readings["CH-1.chws_temp"] = Reading(44.0, Quality.STALE, "old", rig.clock.now_ms())
    rig.scan(20)
    assert rig.state() == "UNACK"
    rig.scan(30, temp=44)
    assert rig.state() == "RTNUN"


# --- conditions -----------------------------------------------------------------------------
def test_lifting_a_suppression_forgets_the_old_condition_and_starts_the_on_delay_again() -> None:
    rig = Rig(row(when="CH-1.status is RUN", on_delay_s=30, off_delay_s=30))
    rig.scan(0, temp=51, status=1)
    rig.scan(30)
    assert rig.state() == "UNACK"
    rig.scan(40, status=0)
    assert rig.state() == "DSUPR"
    rig.scan(50, status=1)
    assert rig.state() == "NORM"
    rig.scan(79)
    assert rig.state() == "NORM"
    rig.scan(80)
    assert (rig.state(), rig.annunciated()) == ("UNACK", [30, 80])


def test_a_suppression_in_the_middle_of_an_on_delay_costs_the_whole_delay() -> None:
    rig = Rig(row(when="CH-1.status is RUN", on_delay_s=30))
    rig.scan(0, temp=51, status=1)
    rig.scan(20, status=0)
    rig.scan(25, status=1)
    rig.scan(54)
    assert rig.state() == "NORM"
    rig.scan(55)
    assert rig.state() == "UNACK"


def test_otherwise_normal_turns_a_standing_alarm_to_returned_and_not_to_suppressed() -> None:
    rig = Rig(row(when="CH-1.status is RUN", otherwise="normal"))
    rig.scan(0, temp=51, status=1)
    rig.scan(10, status=0)
    assert rig.state() == "RTNUN"


def test_an_unknown_condition_lets_nothing_rise_and_hides_nothing_that_stands() -> None:
    rig = Rig(row(when="CH-1.status is RUN"))
    rig.scan(0, temp=51)
    assert (rig.state(), rig.engine.snapshot()["suppressed_ids"]) == ("DSUPR", ["HI"])
    rig.scan(10, status=1)
    assert rig.state() == "UNACK"
    rig.scan(20, status=None)
    assert rig.state() == "UNACK"
    rig.scan(30, temp=45)
    assert rig.state() == "RTNUN"


def test_an_event_is_journalled_and_not_annunciated() -> None:
    rig = Rig(row(priority=None, consequence=None, action=None, time_to_respond_s=None, class_=None))
    rig.scan(0, temp=51)
    rig.scan(10, temp=45)
    assert rig.kinds() == ["EVENT", "RTN"]
    assert rig.annunciated() == []
    assert rig.engine.snapshot()["active"] == []
    refusal = rig.engine.acknowledge("HI", "JD")
    assert refusal is not None
    assert refusal.code == "unknown_alarm"


def test_an_event_ends_when_it_no_longer_applies() -> None:
    plain = row(priority=None, consequence=None, action=None, time_to_respond_s=None, class_=None)
    rig = Rig(plain | {"when": "CH-1.status is RUN"})
    rig.scan(0, temp=51, status=1)
    rig.scan(10, status=0)
    rig.scan(20)
    assert rig.kinds() == ["EVENT", "RTN"]


def test_a_trip_is_known_however_people_set_its_alarm_aside() -> None:
    rig = Rig(row("F", type="STATE", point="CH-1.fault", states=["FAULT"], class_="trip"), row("HI"))
    rig.scan(0, temp=51, fault=0)
    assert rig.engine.tripped() == frozenset()
    rig.scan(10, fault=1)
    rig.engine.shelve("F", "JD", "known", 600.0)
    rig.scan(20)
    assert rig.engine.tripped() == {"CH-1"}


def test_the_list_says_value_limit_and_unit_and_puts_the_most_urgent_first() -> None:
    rig = Rig(row("HI", limit="48 degF"), row("F", type="STATE", point="CH-1.fault", states=["FAULT"], priority=1))
    rig.scan(0, temp=48.6, fault=0)
    rig.scan(10, fault=1)
    rig.scan(20, temp=48.64)
    snapshot = rig.engine.snapshot()
    assert [record["id"] for record in snapshot["active"]] == ["F", "HI"]
    record = snapshot["active"][1]
    assert record["text"] == "Leaving chilled water 48.6 °F, limit 48.0"
    assert (record["value"], record["limit"], record["unit"], record["equipment"]) == (48.6, 48.0, "°F", "CH-1")
    assert (record["cause"], record["action"], record["time_to_respond_s"]) == ("a cause", "an action", 3_600)
    assert snapshot["counts"] == {"1": 1, "2": 1, "3": 0, "4": 0, "unacked": 2}


def test_of_equal_priority_the_newest_comes_first_with_the_time_it_began_to_call() -> None:
    rig = Rig(row("Z"), row("A", limit="52 degF"), row("M", limit="54 degF"))
    start = rig.clock.now_ms()
    for at, temp in ((10, 51), (20, 53), (30, 55)):
        rig.scan(at, temp=temp)
    active = rig.engine.snapshot()["active"]
    assert [(record["id"], record["since_ms"] - start) for record in active] == [
        ("M", 30_000),
        ("A", 20_000),
        ("Z", 10_000),
    ]


@pytest.mark.parametrize(
    ("cells", "setpoint", "temp", "text"),
    [
        ({"type": "LO", "limit": "40 degF"}, 44, 39.2, "Leaving chilled water 39.2 °F, limit 40.0"),
        ({"type": "DEV_HI", "limit": "3 degF"}, 44, 47.5, "Leaving chilled water 47.5 °F, limit 47.0 (setpoint 44.0)"),
        ({"type": "DEV_LO", "limit": "3 degF"}, 44, 40.5, "Leaving chilled water 40.5 °F, limit 41.0 (setpoint 44.0)"),
    ],
)
def test_every_limit_says_where_it_lies(cells: dict[str, Any], setpoint: float, temp: float, text: str) -> None:
    more = {"setpoint": "CH-1.setpoint", "point": "CH-1.chws_temp"} if "DEV" in cells["type"] else {}
    rig = Rig(row(**cells, **more))
    rig.set("CH-1.setpoint", setpoint)
    rig.scan(0, temp=temp)
    assert rig.engine.snapshot()["active"][0]["text"] == text


def test_a_plant_in_si_reads_its_alarms_in_si() -> None:
    rules, _ = compile_rules(small_plant(row(limit="48 degF"), units="si"), {})
    clock = HandClock()
    engine = AlarmEngine(rules, clock, AlarmStore(None, clock))
    engine.evaluate(Frame(1, clock.now_ms(), {"CH-1.chws_temp": good(50.0, clock.now_ms())}), {})
    assert engine.snapshot()["active"][0]["text"] == "Leaving chilled water 10.0 °C, limit 8.9"


def test_an_alarm_on_a_derived_value_freezes_with_every_device_behind_it() -> None:
    plant = small_plant(row(point="PLANT.load"))
    load = replace(signal_of(plant.points["CH-1.chws_temp"]), name="PLANT.mean", device="", inputs=("CH-1.chws_temp",))
    plant_load = replace(load, name="PLANT.load", inputs=("PLANT.mean", "CH-1.status", "PLANT.load"))
    rules, _ = compile_rules(plant, {"PLANT.load": plant_load, "PLANT.mean": load})
    assert rules[0].devices == {"D-1", "D-2"}


def test_a_mismatch_says_in_trade_words_what_is_commanded_and_what_answers() -> None:
    rig = Rig(row(type="MISMATCH", point="CHWP-1.status", command="CHWP-1.command"))
    rig.set("CHWP-1.command", 1)
    rig.set("CHWP-1.status", 0)
    rig.scan(0)
    assert rig.engine.snapshot()["active"][0]["text"] == "Commanded on, no run status"


def test_a_snapshot_is_numbered_anew_only_when_something_changed() -> None:
    rig = Rig(row())
    rig.scan(0, temp=45)
    before = rig.engine.snapshot()["seq"]
    rig.scan(10, temp=46)
    assert rig.engine.snapshot()["seq"] == before
    rig.scan(20, temp=51)
    assert rig.engine.snapshot()["seq"] == before + 1
    rig.scan(30, temp=51.04)
    assert rig.engine.snapshot()["seq"] == before + 1, "it reads the same"
    rig.scan(40, temp=51.1)
    assert rig.engine.snapshot()["seq"] == before + 2
    rig.silent = {"D-1": "silent"}
    rig.scan(50)
    assert rig.engine.snapshot()["seq"] == before + 3
