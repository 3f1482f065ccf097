"""What an alarm says while it is active, after it has returned, and across a restart; what the journal shows."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import pytest

from plantview.alarms import Search
from tests.unit.alarm_rig import Rig, row

MISMATCH: dict[str, Any] = {"type": "MISMATCH", "point": "CHWP-1.status", "command": "CHWP-1.command"}


def pump(rig: Rig, at_s: float, command: float, status: float) -> None:
    rig.set("CHWP-1.command", command)
    rig.set("CHWP-1.status", status)
    rig.scan(at_s)


def test_a_returned_alarm_keeps_the_words_with_which_it_called_and_says_since_when() -> None:
    rig = Rig(row(**MISMATCH))
    pump(rig, 0, 1, 0)
    pump(rig, 10, 0, 0)
    record = rig.engine.snapshot()["active"][0]
    assert (record["state"], record["text"]) == ("RTNUN", "Commanded on, no run status")
    assert record["returned_ms"] == rig.clock.now_ms()
    rig.scan(60)
    assert rig.engine.snapshot()["active"][0]["returned_ms"] == record["returned_ms"]


@pytest.mark.parametrize(
    ("command", "status", "said"),
    [
        (1, 0, "Commanded on, no run status"),
        (0, 1, "Commanded off, still runs"),
        (1, 1, "Commanded on, runs"),
        (0, 0, "Commanded off, stands"),
    ],
)
def test_order_and_answer_of_a_machine_that_was_set_aside_are_said_as_they_are_now(
    command: float, status: float, said: str
) -> None:
    rig = Rig(row(**MISMATCH))
    pump(rig, 0, 1, 0)
    rig.engine.out_of_service("HI", "JD", "status contact is broken")
    pump(rig, 10, command, status)
    assert rig.engine.snapshot()["out_of_service"][0]["text"] == said


def test_an_answer_that_is_no_run_status_is_said_by_its_own_name_and_word() -> None:
    rig = Rig(row(type="MISMATCH", point="CH-1.mode", command="CHWP-1.command"))
    rig.set("CHWP-1.command", 1)
    rig.set("CH-1.mode", 0)
    rig.scan(0)
    assert rig.engine.snapshot()["active"][0]["text"] == "Commanded ON, ch-1.mode OFF"


@pytest.mark.parametrize("lost", ["V-1.command", "V-1.position"])
def test_a_mismatch_of_which_one_side_is_not_read_any_more_keeps_its_words(lost: str) -> None:
    rig = Rig(row(type="MISMATCH", point="V-1.position", command="V-1.command", limit="10 %"))
    rig.set("V-1.command", 50)
    rig.set("V-1.position", 20)
    rig.scan(0)
    said = rig.engine.snapshot()["active"][0]["text"]
    assert said == "V-1.position 20 %, commanded 50"
    rig.set(lost, None)
    rig.scan(1)
    (record,) = rig.engine.snapshot()["active"]
    assert (record["state"], record["text"]) == ("UNACK", said)


def test_a_rate_says_the_value_and_the_change_that_was_too_much() -> None:
    rig = Rig(row(type="ROC", point="CH-1.chws_temp", limit="5 degF", within_s=60, deadband="1 degF"))
    rig.scan(0, temp=44)
    rig.scan(10, temp=51)
    (record,) = rig.engine.snapshot()["active"]
    assert (record["value"], record["limit"], record["unit"]) == (51, 5, "°F")
    assert record["text"] == "Leaving chilled water 51.0 °F, changed by more than 5.0 °F in 60 s"
    rig.scan(20, temp=None)
    assert rig.engine.snapshot()["active"][0]["text"] == record["text"], "not read now: the last words stay"


def test_a_limit_that_has_returned_shows_the_value_of_its_call_and_not_todays() -> None:
    rig = Rig(row())
    rig.scan(0, temp=53)
    rig.scan(5, temp=51)
    assert rig.engine.snapshot()["active"][0]["value"] == 51
    rig.scan(10, temp=45)
    record = rig.engine.snapshot()["active"][0]
    assert (record["value"], record["limit"], record["text"]) == (53, 50, "Leaving chilled water 53.0 °F, limit 50.0")


def test_an_alarm_that_calls_again_has_not_returned_and_speaks_of_today() -> None:
    rig = Rig(row())
    for at_s, temp in ((0, 53), (10, 45), (20, 52)):
        rig.scan(at_s, temp=temp)
    record = rig.engine.snapshot()["active"][0]
    assert (record["returned_ms"], record["value"]) == (None, 52)
    rig.scan(30, temp=45)
    assert rig.engine.snapshot()["active"][0]["value"] == 52


def test_the_words_and_the_return_survive_a_kill(tmp_path: Path) -> None:
    rig = Rig(row(**MISMATCH), folder=tmp_path)
    pump(rig, 0, 1, 0)
    pump(rig, 10, 0, 0)
    before = rig.engine.snapshot()["active"][0]
    rig.restart()
    pump(rig, 20, 0, 0)
    after = rig.engine.snapshot()["active"][0]
    assert (after["text"], after["returned_ms"]) == (before["text"], before["returned_ms"])


def test_an_alarm_that_returns_after_a_kill_keeps_its_words_too(tmp_path: Path) -> None:
    rig = Rig(row(**MISMATCH), folder=tmp_path)
    pump(rig, 0, 1, 0)
    rig.restart()
    pump(rig, 20, 0, 0)
    assert rig.engine.snapshot()["active"][0]["text"] == "Commanded on, no run status"


def test_an_alarm_written_before_returns_were_noted_is_read_back(tmp_path: Path) -> None:
    rig = Rig(row(), folder=tmp_path)
    rig.scan(0, temp=51)
    db = rig.store._db
    assert db is not None
    text = db.execute("SELECT kept FROM alarm").fetchone()[0].replace(', "returned_ms": 0', "")
    assert "returned_ms" not in text
    with db:
        db.execute("UPDATE alarm SET kept = ?", (text,))
    rig.restart()
    assert (rig.state(), rig.engine.health()) == ("UNACK", "")


def test_a_shelved_alarm_shows_how_things_are_now() -> None:
    rig = Rig(row())
    rig.scan(0, temp=53)
    rig.engine.shelve("HI", "JD", "known", 600.0)
    rig.scan(10, temp=45)
    assert rig.engine.snapshot()["shelved"][0]["text"] == "Leaving chilled water 45.0 °F, limit 50.0"


@pytest.mark.parametrize(
    ("command", "status", "text"),
    [(1, 0, "Commanded on, no run status"), (0, 1, "Commanded off, still runs")],
)
def test_a_run_mismatch_is_said_in_trade_words(command: float, status: float, text: str) -> None:
    rig = Rig(row(**MISMATCH))
    pump(rig, 0, command, status)
    assert rig.engine.snapshot()["active"][0]["text"] == text


def test_a_fault_is_said_with_who_reports_it() -> None:
    rig = Rig(row(type="STATE", point="CH-1.fault", states=["FAULT"]))
    rig.scan(0, fault=1)
    assert rig.engine.snapshot()["active"][0]["text"] == "Fault reported by the panel"


def test_a_state_is_said_with_its_word() -> None:
    rig = Rig(row(type="STATE", point="CH-1.mode", states=["WAITING FOR FLOW"]))
    rig.set("CH-1.mode", 1)
    rig.scan(0)
    assert rig.engine.snapshot()["active"][0]["text"] == "CH-1.mode: WAITING FOR FLOW"


# --- the journal ----------------------------------------------------------------------------
GATED = row("GATED", when="CH-1.status is RUN")


def test_what_begins_and_ceases_to_apply_is_journalled_but_not_in_the_way() -> None:
    rig = Rig(GATED)
    for at_s, status in ((0, 0.0), (10, 1.0), (20, 0.0)):
        rig.scan(at_s, status=status, temp=45)
    assert rig.engine.journal() == []
    assert rig.kinds("GATED") == ["SUPPRESS", "UNSUPPRESS", "SUPPRESS"]


def test_an_alarm_that_the_design_takes_off_the_list_is_in_every_journal() -> None:
    rig = Rig(GATED)
    rig.scan(0, status=1, temp=51)
    rig.scan(10, status=0)
    assert [line["kind"] for line in rig.engine.journal()] == ["SUPPRESS", "ANN"]


@pytest.mark.parametrize(
    ("search", "kinds"),
    [
        (Search(text="LEAVING chilled"), ["ACK", "ANN"]),
        (Search(text="jd"), ["ACK"]),
        (Search(text="100%"), []),
        (Search(alarm="HI"), ["ACK", "ANN"]),
        (Search(alarm="HO"), []),
        (Search(equipment="CH-1"), ["ACK", "ANN"]),
        (Search(equipment="CH-2"), []),
        (Search(annunciated=True), ["ANN"]),
        (Search(from_ms=1_764_000_010_000), ["ACK"]),
        (Search(to_ms=1_764_000_010_000), ["ANN"]),
    ],
)
@pytest.mark.parametrize("waiting", [False, True])
def test_a_search_finds_the_same_lines_written_or_waiting(search: Search, kinds: list[str], waiting: bool) -> None:
    rig = Rig(row())
    rig.scan(0, temp=51)
    rig.clock.go_to(10)
    rig.engine.acknowledge("HI", "JD", "seen")
    if waiting:
        rig.store._waiting.extend(rig.entries)
        assert [entry.kind for entry in rig.store._waiting if search.wants(entry)] == [k for k in kinds if k == "ANN"]
        rig.store._waiting.clear()
    assert [line["kind"] for line in rig.engine.journal(10, None, search)] == kinds
