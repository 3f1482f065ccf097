"""A device's own alarms: what its event states and acknowledgement bits mean here, and its times in first-out.

Source of the table: event states and acknowledged transitions of ASHRAE 135 clause 13 (from memory).
"""

from __future__ import annotations

from pathlib import Path

import pytest

from plantview.alarms import Search, compile_rules
from plantview.alarms.own import AT_DEVICE, NOT_AT_DEVICE, state_at
from plantview.alarms.own_lives import OBJECTS_MAX
from plantview.alarms.table import State
from plantview.model.device_event import TO_FAULT, TO_NORMAL, TO_OFFNORMAL, TRANSITIONS, DeviceEvent, Transition
from tests.unit.alarm_rig import Rig, problems_of, row, small_plant

D2 = frozenset({"D-2"})
ROW = row("D-2.OWN", type="DEVICE", device="D-2", priority=3)
STATUS = "analog-value,4"
"""The object that CH-1.status reads in the small plant."""
ALARM = f"D-2.OWN {STATUS}"
OFF, OPEN = "offnormal", (TO_OFFNORMAL,)
T0 = 1_764_000_000_000


def event(
    state: str = OFF,
    waits: tuple[str, ...] = (),
    name: str = STATUS,
    *,
    at_ms: int | None = None,
    number: int = 0,
    notify: str = "alarm",
    watches: str = "",
) -> DeviceEvent:
    """Return what D-2 says; ``waits`` are the transitions that nobody acknowledged there."""
    stamps = {"local_ms": at_ms, "at_ms": at_ms, "sequence": number or None}
    parts = tuple(Transition(word, word not in waits, enabled=True, priority=100, **stamps) for word in TRANSITIONS)
    return DeviceEvent("D-2", name, state, notify, parts, None if at_ms is None else 0, watches)


def rig(*rows: dict[str, object], folder: Path | None = None) -> Rig:
    """Return a plant whose second device is a BACnet one that was asked once and has nothing in alarm."""
    made = Rig(ROW, *rows, folder=folder, bacnet=D2)
    tell(made, 0)
    return made


def tell(made: Rig, at_s: float, *events: DeviceEvent) -> None:
    made.events["D-2"] = events
    made.scan(at_s)


@pytest.mark.parametrize(
    ("state", "waits", "means"),
    [
        ("normal", (), State.NORM),
        ("offnormal", (TO_OFFNORMAL,), State.UNACK),
        ("high-limit", (TO_OFFNORMAL,), State.UNACK),
        ("low-limit", (TO_OFFNORMAL, TO_NORMAL), State.UNACK),
        ("life-safety-alarm", (TO_OFFNORMAL,), State.UNACK),
        ("high-limit", (), State.ACKED),
        ("high-limit", (TO_NORMAL,), State.ACKED),
        ("normal", (TO_OFFNORMAL,), State.RTNUN),
        ("normal", (TO_NORMAL,), State.RTNUN),
        ("fault", (TO_FAULT,), State.UNACK),
        ("fault", (TO_OFFNORMAL,), State.ACKED),
        ("fault", (), State.ACKED),
    ],
)
def test_each_row_of_the_table_of_event_states_holds_alone_and_in_the_engine(
    state: str, waits: tuple[str, ...], means: State
) -> None:
    assert state_at(event(state, waits)) is means
    made = rig()
    tell(made, 1, event(state, waits))
    assert made.state(ALARM) == means


def test_what_a_device_does_not_list_is_normal() -> None:
    assert state_at(None) is State.NORM


def test_a_new_alarm_of_a_device_calls_names_its_point_and_goes_when_the_device_says_so() -> None:
    made = rig()
    tell(made, 1, event("high-limit", OPEN))
    listed = made.engine.snapshot()["active"][0]
    assert (listed["id"], listed["equipment"], listed["point"]) == (ALARM, "CH-1", "CH-1.status")
    assert listed["text"] == "CH-1.status: high limit reported by panel D-2"
    assert made.annunciated(ALARM) == [1]
    tell(made, 31, event("normal", (TO_OFFNORMAL, TO_NORMAL)))
    assert made.state(ALARM) == "RTNUN"
    tell(made, 61)
    assert made.state(ALARM) == "NORM"
    assert made.lines()[-1]["person"] == AT_DEVICE


def test_an_object_that_no_point_reads_stands_under_its_device() -> None:
    made = rig()
    tell(made, 1, event(OFF, OPEN, "event-enrollment,7"))
    listed = made.engine.snapshot()["active"][0]
    assert (listed["equipment"], listed["point"]) == ("D-2", "")
    assert listed["text"] == "event-enrollment,7: offnormal reported by panel D-2"


def test_an_object_that_watches_another_one_speaks_of_that_one_also_after_a_kill(tmp_path: Path) -> None:
    made = rig(folder=tmp_path)
    enrolled = event("high-limit", OPEN, "event-enrollment,7", watches=STATUS)
    tell(made, 1, enrolled)
    made.restart()
    tell(made, 31, enrolled)
    listed = made.engine.snapshot()["active"][0]
    assert (listed["id"], listed["equipment"], listed["point"]) == ("D-2.OWN event-enrollment,7", "CH-1", "CH-1.status")
    assert listed["text"] == "CH-1.status: high limit reported by panel D-2"
    assert made.annunciated(listed["id"]) == [1]


def test_acknowledging_here_leaves_the_device_as_it_is_and_the_record_says_so() -> None:
    made = rig()
    tell(made, 1, event(OFF, OPEN, number=4))
    assert made.engine.acknowledge(ALARM, "JD") is None
    tell(made, 31, event(OFF, OPEN, number=4))
    record = made.engine.record(ALARM)
    assert record is not None
    assert (record["state"], record["acked_by"]) == ("ACKED", "JD")
    told = record["device_event"]
    assert (told["object"], told["state"], told["notify"]) == (STATUS, "offnormal", "alarm")
    assert [(one["word"], one["acknowledged"]) for one in told["transitions"]] == [
        ("to-offnormal", False), ("to-fault", True), ("to-normal", True),
    ]  # fmt: skip
    assert record["device_note"] == NOT_AT_DEVICE
    assert "write" in NOT_AT_DEVICE


def test_an_acknowledgement_at_the_device_counts_here_and_is_journalled_as_such() -> None:
    made = rig()
    tell(made, 1, event(OFF, OPEN))
    tell(made, 31, event(OFF, ()))
    assert made.state(ALARM) == "ACKED"
    assert [(line["kind"], line["person"]) for line in made.lines()] == [("ANN", ""), ("ACK", AT_DEVICE)]


def test_what_stood_acknowledged_before_the_first_question_is_listed_without_a_call() -> None:
    made = Rig(ROW, bacnet=D2)
    made.scan(0)
    tell(made, 1, event(OFF, ()))
    assert made.state(ALARM) == "ACKED"
    assert made.annunciated(ALARM) == []
    assert made.kinds(ALARM) == ["FOUND"]
    listed = made.engine.snapshot()["active"][0]
    assert listed["acked_by"] == AT_DEVICE


def test_what_came_acknowledged_while_we_watched_calls_and_stands_acknowledged() -> None:
    made = rig()
    tell(made, 1, event(OFF, ()))
    assert made.state(ALARM) == "ACKED"
    assert made.annunciated(ALARM) == [1]


def test_what_came_and_went_between_two_questions_waits_on_the_list_and_not_for_ever() -> None:
    made = rig()
    tell(made, 1, event("normal", (TO_OFFNORMAL,), number=8))
    assert (made.state(ALARM), made.annunciated(ALARM)) == ("RTNUN", [])
    assert made.engine.acknowledge(ALARM, "JD") is None
    tell(made, 31, event("normal", (TO_OFFNORMAL,), number=8))
    assert made.state(ALARM) == "NORM"
    tell(made, 61, event("normal", (TO_OFFNORMAL,), number=9))
    assert made.state(ALARM) == "RTNUN"


def test_a_new_transition_of_an_acknowledged_alarm_calls_again_and_the_same_one_does_not() -> None:
    made = rig()
    tell(made, 1, event("high-limit", OPEN, number=1))
    made.engine.acknowledge(ALARM, "JD")
    tell(made, 31, event("high-limit", OPEN, number=1))
    assert made.annunciated(ALARM) == [1]
    tell(made, 61, event("fault", (TO_FAULT,), number=2))
    assert (made.state(ALARM), made.annunciated(ALARM)) == ("UNACK", [1, 61])
    assert made.engine.snapshot()["active"][0]["text"] == "CH-1.status: fault reported by panel D-2"


def test_a_notification_of_kind_event_is_journalled_and_calls_nobody() -> None:
    made = rig()
    tell(made, 1, event(OFF, OPEN, notify="event"))
    tell(made, 31)
    assert made.kinds(ALARM) == ["EVENT", "RTN"]
    assert made.engine.snapshot()["active"] == []


def test_a_silent_device_freezes_its_own_alarms_and_nothing_returns_by_itself() -> None:
    made = rig()
    tell(made, 1, event(OFF, OPEN))
    made.silent = {"D-2": "no answer"}
    tell(made, 31)
    assert made.state(ALARM) == "UNACK"
    assert made.engine.snapshot()["active"][0]["frozen"] is True
    made.silent = {}
    made.scan(32)
    assert made.state(ALARM) == "NORM", "it answers again, and lists the object no more"


def test_an_alarm_of_ours_on_the_same_state_speaks_for_the_devices(tmp_path: Path) -> None:
    made = rig(row("STOPPED", type="STATE", point="CH-1.status", states=["OFF"]), folder=tmp_path)
    made.set("CH-1.status", 0)
    tell(made, 1, event(OFF, OPEN))
    assert (made.state("STOPPED"), made.state(ALARM)) == ("UNACK", "DSUPR")
    assert [entry.alarm for entry in made.entries if entry.annunciated] == ["STOPPED"]
    made.set("CH-1.status", 1)
    tell(made, 2, event(OFF, OPEN))
    assert made.state(ALARM) == "UNACK", "ours is over, the device still reports it"


@pytest.mark.parametrize("acknowledged", [False, True])
def test_a_devices_alarm_outlives_a_kill_and_calls_no_second_time(tmp_path: Path, acknowledged: bool) -> None:
    made = rig(folder=tmp_path)
    tell(made, 1, event(OFF, OPEN, number=3))
    if acknowledged:
        made.engine.acknowledge(ALARM, "JD", "known")
    made.restart()
    made.scan(60)
    assert made.state(ALARM) == ("ACKED" if acknowledged else "UNACK"), "the device was not heard yet"
    tell(made, 61, event(OFF, OPEN, number=3))
    assert made.state(ALARM) == ("ACKED" if acknowledged else "UNACK")
    assert made.annunciated(ALARM) == [1]
    tell(made, 91)
    assert made.state(ALARM) == "NORM"


def test_a_returned_alarm_that_was_acknowledged_here_does_not_come_back_with_a_restart(tmp_path: Path) -> None:
    made = rig(folder=tmp_path)
    tell(made, 1, event("normal", (TO_OFFNORMAL,), number=8))
    made.engine.acknowledge(ALARM, "JD")
    made.restart()
    tell(made, 60, event("normal", (TO_OFFNORMAL,), number=8))
    assert made.state(ALARM) == "NORM"


def test_what_came_at_the_device_while_we_were_stopped_is_news_though_acknowledged_there(tmp_path: Path) -> None:
    made = rig(folder=tmp_path)
    tell(made, 1, event("normal", (TO_OFFNORMAL,), number=8))
    made.engine.acknowledge(ALARM, "JD")
    made.restart()
    tell(made, 60, event(OFF, (), number=9))
    assert (made.state(ALARM), made.annunciated(ALARM)) == ("ACKED", [60])


def test_an_event_stays_an_event_after_a_restart(tmp_path: Path) -> None:
    made = rig(folder=tmp_path)
    tell(made, 1, event(OFF, OPEN, notify="event"))
    made.restart()
    tell(made, 60, event(OFF, OPEN, notify="event"))
    assert made.engine.snapshot()["active"] == []
    assert made.annunciated(ALARM) == []


def test_a_row_that_is_gone_closes_the_alarms_made_from_it(tmp_path: Path) -> None:
    made = rig(folder=tmp_path)
    tell(made, 1, event(OFF, OPEN))
    made.restart(row("HI"))
    assert made.engine.record(ALARM) is None
    assert made.kinds(ALARM)[-1] == "CLOSED"


def test_a_devices_own_time_is_when_its_alarm_came() -> None:
    made = rig()
    tell(made, 31, event(OFF, OPEN, at_ms=T0 + 7_000))
    assert made.engine.snapshot()["active"][0]["since_ms"] == T0 + 7_000
    tell(made, 61, event(OFF, OPEN, "analog-value,9", at_ms=T0 + 99_000))
    ahead = made.engine.record("D-2.OWN analog-value,9")
    assert ahead is not None
    assert ahead["since_ms"] == T0 + 61_000, "a time that lies ahead is not believed"


def first_out_rig() -> Rig:
    made = Rig(row("D-2.OWN", type="DEVICE", device="D-2", first_out="G"), bacnet=D2)
    tell(made, 0)
    return made


def test_device_times_decide_who_came_first_within_one_answer() -> None:
    made = first_out_rig()
    late = event(OFF, OPEN, "analog-value,1", at_ms=T0 + 10_700)
    tell(made, 30, late, event(OFF, OPEN, "analog-value,2", at_ms=T0 + 10_200))
    places = made.engine.first_out("G")
    assert (places["D-2.OWN analog-value,2"].rank, places["D-2.OWN analog-value,1"].rank) == (1, 2)
    assert not any(place.tied for place in places.values())


def test_without_a_known_clock_offset_two_alarms_of_one_answer_are_a_tie() -> None:
    made = first_out_rig()
    tell(made, 30, event(OFF, OPEN, "analog-value,1", number=1), event(OFF, OPEN, "analog-value,2", number=2))
    places = made.engine.first_out("G")
    assert [(place.rank, place.tied) for place in places.values()] == [(1, True), (1, True)]


@pytest.mark.parametrize(("device_ms", "rank"), [(8_000, 2), (12_000, 1)])
def test_a_devices_time_stands_beside_our_scans_of_others(device_ms: int, rank: int) -> None:
    made = Rig(row("D-2.OWN", type="DEVICE", device="D-2", first_out="G"), row("HI", first_out="G"), bacnet=D2)
    tell(made, 0)
    made.scan(10, temp=51)
    tell(made, 30, event(OFF, OPEN, at_ms=T0 + device_ms))
    places = made.engine.first_out("G")
    assert (places["HI"].rank, places[ALARM].tied) == (rank, False)


@pytest.mark.parametrize(("stamp_ms", "tied"), [(9_500, False), (-110_000, False), (-110_001, True)])
def test_a_state_alarm_takes_the_time_of_its_objects_event_unless_it_is_of_another_one(
    stamp_ms: int, tied: bool
) -> None:
    made = Rig(
        row("STOPPED", type="STATE", point="CH-1.status", states=["OFF"], first_out="G"),
        row("TRIPPED", type="STATE", point="CH-1.fault", states=["FAULT"], first_out="G"),
        bacnet=D2,
    )
    tell(made, 0)
    made.set("CH-1.status", 0)
    made.set("CH-1.fault", 1)
    own, other = event(OFF, OPEN, at_ms=T0 + stamp_ms), event(OFF, OPEN, "analog-value,5", at_ms=T0 + 9_900)
    tell(made, 10, own, other)
    assert made.engine.first_out("G")["STOPPED"].rank == 1
    assert made.engine.first_out("G")["STOPPED"].tied is tied


def test_a_device_cannot_fill_the_list_without_bound_and_it_is_said() -> None:
    made = rig()
    listed = [event(OFF, OPEN, f"analog-value,{number}") for number in range(OBJECTS_MAX + 1)]
    tell(made, 1, *listed)
    assert len(made.engine.snapshot()["active"]) == OBJECTS_MAX
    assert made.engine.health() == "D-2 lists more alarms of its own than are shown here"
    tell(made, 2)
    assert made.engine.snapshot()["active"] == []
    tell(made, 3, event(OFF, OPEN, "analog-value,900"))
    assert [one["id"] for one in made.engine.snapshot()["active"]] == ["D-2.OWN analog-value,900"]
    assert made.engine.health() == ""
    assert len(made.engine._lives) == OBJECTS_MAX


def test_a_device_that_lists_just_what_fits_leaves_nothing_out() -> None:
    made = rig()
    tell(made, 1, *(event(OFF, OPEN, f"analog-value,{number}") for number in range(OBJECTS_MAX)))
    assert (len(made.engine.snapshot()["active"]), made.engine.health()) == (OBJECTS_MAX, "")


def test_what_makes_room_is_over_and_what_stands_keeps_its_story() -> None:
    made = rig()
    listed = [event(OFF, OPEN, f"analog-value,{number}", number=1) for number in range(OBJECTS_MAX)]
    tell(made, 1, *listed)
    made.engine.acknowledge("D-2.OWN analog-value,0", "JD", "known")
    made.engine.out_of_service("D-2.OWN analog-value,1", "JD", "sensor is out")
    tell(made, 2, listed[0])
    tell(made, 3, listed[0], event(OFF, OPEN, "analog-value,900", number=1))
    assert made.state("D-2.OWN analog-value,0") == "ACKED"
    assert made.annunciated("D-2.OWN analog-value,0") == [1]
    fresh = [event(OFF, OPEN, f"analog-value,{number}", number=1) for number in range(1_000, 1_000 + OBJECTS_MAX)]
    tell(made, 4, listed[0], *fresh)
    assert made.state("D-2.OWN analog-value,1") == "OOSRV", "only a person puts it back"
    assert made.engine.health() == "D-2 lists more alarms of its own than are shown here"


def test_what_was_over_when_first_asked_calls_when_it_comes_again_though_acknowledged_there() -> None:
    made = Rig(ROW, bacnet=D2)
    tell(made, 0, event("normal", (TO_OFFNORMAL,), number=8))
    made.engine.acknowledge(ALARM, "JD")
    tell(made, 30, event(OFF, (), number=9))
    assert (made.state(ALARM), made.annunciated(ALARM)) == ("ACKED", [30])


def test_a_shelved_alarm_of_a_device_stays_shelved_and_calls_when_its_time_is_over() -> None:
    made = rig()
    tell(made, 1, event(OFF, OPEN))
    assert made.engine.shelve(ALARM, "JD", "being repaired", 60.0) is None
    tell(made, 31, event(OFF, ()))
    assert made.state(ALARM) == "SHLVD"
    tell(made, 62, event(OFF, OPEN))
    assert made.state(ALARM) == "UNACK"


def test_the_journal_of_a_device_is_found_under_its_equipment() -> None:
    made = rig()
    tell(made, 1, event(OFF, OPEN))
    assert [line["kind"] for line in made.engine.journal(10, None, Search(equipment="CH-1"))] == ["ANN"]


@pytest.mark.parametrize(
    ("device", "wrong"),
    [("D-9", "no device 'D-9'; did you mean D-2?"), ("D-1", "D-1 is a Modbus device: it has no alarms of its own")],
)
def test_a_row_for_a_device_that_has_no_alarms_is_a_problem(device: str, wrong: str) -> None:
    problems = problems_of(row("D.OWN", type="DEVICE", device=device))
    assert [problem.wrong for problem in problems] == [wrong]


def test_a_row_of_a_bacnet_device_compiles_without_a_problem() -> None:
    assert (
        compile_rules(
            small_plant(ROW, row("C-1", type="COMM", device="D-1"), row("C-2", type="COMM", device="D-2"), bacnet=D2),
            {},
        )[1]
        == []
    )
