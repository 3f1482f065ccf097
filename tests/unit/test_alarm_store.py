"""What survives a restart, and what a failing disk does not stop."""

from __future__ import annotations

import sqlite3
from collections import deque
from pathlib import Path

import pytest

from plantview.alarms import AlarmStore
from plantview.alarms import store as store_module
from plantview.errors import StartRefused
from tests.unit.alarm_rig import HandClock, Rig, row


def test_an_acknowledged_alarm_is_still_acknowledged_after_a_kill(tmp_path: Path) -> None:
    rig = Rig(row(), folder=tmp_path)
    rig.scan(0, temp=51)
    rig.engine.acknowledge("HI", "JD", "seen")
    rig.restart()
    record = rig.engine.snapshot()["active"][0]
    assert (record["state"], record["acked_by"], record["comment"]) == ("ACKED", "JD", "seen")
    assert record["text"] == "Leaving chilled water 51.0 °F, limit 50.0"
    rig.scan(10, temp=51)
    assert (rig.state(), rig.annunciated()) == ("ACKED", [0])
    rig.scan(20, temp=45)
    assert rig.state() == "NORM"


def test_an_unseen_alarm_that_is_over_waits_for_acknowledgement_across_a_kill(tmp_path: Path) -> None:
    rig = Rig(row(), folder=tmp_path)
    rig.scan(0, temp=51)
    rig.restart()
    rig.scan(10, temp=45)
    rig.restart()
    rig.scan(20, temp=45)
    assert rig.state() == "RTNUN"


def test_an_on_delay_starts_from_zero_after_a_restart(tmp_path: Path) -> None:
    rig = Rig(row(on_delay_s=30), folder=tmp_path)
    rig.scan(0, temp=51)
    rig.scan(25)
    rig.restart()
    rig.scan(29, temp=51)
    rig.scan(58)
    assert rig.state() == "NORM"
    rig.scan(59)
    assert rig.state() == "UNACK"


def test_a_re_alarm_counts_from_the_restart_and_does_not_call_at_once(tmp_path: Path) -> None:
    rig = Rig(row(re_alarm_s=900), folder=tmp_path)
    rig.clock.go_to(10_000)
    rig.scan(10_000, temp=51)
    rig.engine.acknowledge("HI", "JD")
    rig.restart()
    rig.scan(10_010, temp=51)
    assert rig.state() == "ACKED"
    rig.scan(10_900)
    assert rig.state() == "UNACK"


# --- I2: a shelf over a restart ------------------------------------------------------------
@pytest.mark.parametrize(("temp", "after", "calls"), [(51.0, "UNACK", [0, 900]), (45.0, "NORM", [0])])
def test_a_shelf_that_ended_while_stopped_ends_at_the_start(
    tmp_path: Path, temp: float, after: str, calls: list[float]
) -> None:
    rig = Rig(row(), folder=tmp_path)
    rig.scan(0, temp=51)
    rig.engine.shelve("HI", "JD", "known", 600.0)
    rig.clock.go_to(900)
    rig.restart()
    rig.scan(900, temp=temp)
    assert (rig.state(), rig.annunciated()) == (after, calls)
    assert any("shelf ended while stopped" in line["text"] for line in rig.engine.journal(10))


def test_a_shelf_that_ended_while_stopped_waits_for_the_first_reading_but_not_for_ever(tmp_path: Path) -> None:
    rig = Rig(row(), folder=tmp_path)
    rig.scan(0, temp=51)
    rig.engine.shelve("HI", "JD", "known", 600.0)
    rig.clock.go_to(900)
    rig.restart()
    rig.scan(900)
    assert rig.state() == "SHLVD"
    rig.scan(1_020)
    assert rig.state() == "UNACK"


def test_a_shelf_goes_on_after_a_restart_and_keeps_its_end(tmp_path: Path) -> None:
    rig = Rig(row(), folder=tmp_path)
    rig.scan(0, temp=51)
    rig.engine.shelve("HI", "JD", "known", 600.0)
    rig.clock.go_to(300)
    rig.restart()
    rig.scan(599, temp=51)
    assert rig.state() == "SHLVD"
    rig.scan(600)
    assert rig.state() == "UNACK"


def test_a_one_shot_shelf_survives_and_ends_at_the_return(tmp_path: Path) -> None:
    rig = Rig(row(), folder=tmp_path)
    rig.scan(0, temp=51)
    rig.engine.shelve("HI", "JD", "known", None)
    rig.restart()
    rig.scan(10, temp=51)
    assert rig.state() == "SHLVD"
    rig.scan(20, temp=45)
    assert rig.state() == "NORM"


def test_out_of_service_and_first_out_survive(tmp_path: Path) -> None:
    rows = (row("A", first_out="G"), row("B", type="STATE", point="CH-1.fault", states=["FAULT"], first_out="G"))
    rig = Rig(*rows, folder=tmp_path)
    rig.scan(10, temp=51, fault=0)
    rig.scan(20, fault=1)
    rig.engine.out_of_service("A", "JD", "sensor out")
    rig.restart()
    rig.scan(30, temp=51, fault=1)
    assert rig.state("A") == "OOSRV"
    assert rig.engine.snapshot()["out_of_service"][0]["reason"] == "sensor out"
    assert {name: place.rank for name, place in rig.engine.first_out("G").items()} == {"A": 1, "B": 2}


def test_a_restart_does_not_suppress_what_stands_because_it_forgot_how_long_a_machine_ran(tmp_path: Path) -> None:
    rig = Rig(row(when="CH-1 runs for 15 min"), folder=tmp_path)
    rig.scan(0, temp=45, status=0)
    rig.scan(10, status=1)
    rig.scan(910, temp=51)
    assert rig.state() == "UNACK"
    rig.restart()
    rig.scan(920, temp=51, status=1)
    assert rig.state() == "UNACK"
    rig.scan(2_000)
    assert (rig.state(), rig.annunciated()) == ("UNACK", [910])


def test_a_rule_that_was_removed_is_closed_and_journalled(tmp_path: Path) -> None:
    rig = Rig(row("OLD"), row("HI"), folder=tmp_path)
    rig.scan(0, temp=51)
    rig.restart(row("HI"))
    assert [record["id"] for record in rig.engine.snapshot()["active"]] == ["HI"]
    assert rig.kinds("OLD")[-1] == "CLOSED"
    assert "stood at UNACK" in next(line["text"] for line in rig.engine.journal(10) if line["kind"] == "CLOSED")
    rig.restart(row("OLD"), row("HI"))
    assert rig.state("OLD") == "NORM"


def test_an_alarm_that_no_longer_latches_is_not_stuck(tmp_path: Path) -> None:
    rig = Rig(row(latching=True), folder=tmp_path)
    rig.scan(0, temp=51)
    rig.scan(10, temp=45)
    assert rig.state() == "LATUN"
    rig.restart(row())
    assert rig.state() == "RTNUN"


def test_an_alarm_that_became_an_event_leaves_the_list(tmp_path: Path) -> None:
    rig = Rig(row(), folder=tmp_path)
    rig.scan(0, temp=51)
    rig.restart(row(action=None))
    assert rig.engine.snapshot()["active"] == []
    assert rig.kinds()[-1] == "CLOSED"


# --- the file ------------------------------------------------------------------------------
def test_a_file_of_a_newer_plantview_is_refused(tmp_path: Path) -> None:
    Rig(row(), folder=tmp_path).engine.close()
    with sqlite3.connect(tmp_path / "alarms.db") as db:
        db.execute("UPDATE meta SET value = '2'")
    db.close()
    with pytest.raises(StartRefused, match=r"written by a newer plantview \(schema 2"):
        AlarmStore(tmp_path, HandClock())


def test_a_journal_is_read_in_pages_newest_first(tmp_path: Path) -> None:
    rig = Rig(row(), folder=tmp_path)
    for at in range(0, 100, 10):
        rig.scan(at, temp=51 if at % 20 == 0 else 45)
    first = rig.engine.journal(4)
    second = rig.engine.journal(4, before=first[-1]["seq"])
    assert [line["seq"] for line in first + second] == [10, 9, 8, 7, 6, 5, 4, 3]
    assert {line["kind"] for line in first} == {"ANN", "RTN"}
    assert len(rig.engine.journal(10**9)) == 10


def test_the_journal_is_pruned_to_its_bound(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(store_module, "JOURNAL_ROWS_MAX", 20)
    monkeypatch.setattr(store_module, "PRUNE_EVERY", 5)
    rig = Rig(row(), folder=tmp_path)
    for at in range(100):
        rig.scan(at, temp=51 if at % 2 == 0 else 45)
    lines = rig.engine.journal(1_000)
    assert 20 <= len(lines) < 25
    assert lines[0]["seq"] == 100


def _break(rig: Rig) -> None:
    """Let every use of the file fail, and opening it anew as well."""
    rig.store._disconnect()
    for file in list(rig.folder.iterdir() if rig.folder else []):
        file.unlink()
    assert rig.folder is not None
    (rig.folder / "alarms.db").mkdir()


def test_a_failing_disk_stops_no_alarm_and_is_said(tmp_path: Path) -> None:
    rig = Rig(row(), folder=tmp_path)
    rig.scan(0, temp=45)
    assert rig.engine.health() == ""
    _break(rig)
    rig.scan(10, temp=51)
    assert rig.state() == "UNACK"
    assert "alarms are not written" in rig.engine.health()
    assert "alarms are not written" in rig.engine.snapshot()["health"]
    assert rig.engine.acknowledge("HI", "JD") is None
    assert [line["kind"] for line in rig.engine.journal(10)] == ["ACK", "ANN"]


def test_a_disk_that_works_again_gets_everything_that_waited(tmp_path: Path) -> None:
    rig = Rig(row(), folder=tmp_path)
    rig.scan(0, temp=45)
    _break(rig)
    rig.scan(10, temp=51)
    (tmp_path / "alarms.db").rmdir()
    rig.scan(20)
    assert rig.engine.health() != "", "the next attempt comes after 30 s"
    rig.scan(41)
    assert rig.engine.health() == ""
    rig.restart()
    assert rig.state() == "UNACK"
    assert rig.kinds() == ["ANN"]


def test_a_memory_that_fails_once_forgets_nothing_of_what_it_held(monkeypatch: pytest.MonkeyPatch) -> None:
    rig = Rig(row())
    rig.scan(0, temp=51)

    def fails(_db: sqlite3.Connection) -> None:
        raise sqlite3.OperationalError("out of memory")

    with monkeypatch.context() as once:
        once.setattr(rig.store, "_write_all", fails)
        rig.scan(10, temp=45)
    assert "out of memory" in rig.engine.health()
    rig.scan(40)
    assert (rig.engine.health(), rig.kinds()) == ("", ["ANN", "RTN"])


def test_lines_that_no_longer_fit_while_the_disk_fails_are_counted(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(store_module, "WAITING_MAX", 3)
    rig = Rig(row(), folder=tmp_path)
    rig.store._waiting = deque(maxlen=3)
    _break(rig)
    for at in range(5):
        rig.scan(at, temp=51 if at % 2 == 0 else 45)
    assert "2 journal lines are lost" in rig.engine.health()
    assert len(rig.engine.journal(10)) == 3


def test_a_file_that_is_no_database_is_said_and_stops_nothing(tmp_path: Path) -> None:
    (tmp_path / "alarms.db").write_bytes(b"not a database, but long enough to be taken for one" * 100)
    rig = Rig(row(), folder=tmp_path)
    rig.scan(0, temp=51)
    assert rig.state() == "UNACK"
    assert "file is not a database" in rig.engine.health()


@pytest.mark.parametrize("damage", ["{}", "nonsense", '{"state": "GONE"}'])
def test_an_alarm_that_cannot_be_read_back_begins_as_normal_and_is_said(tmp_path: Path, damage: str) -> None:
    rig = Rig(row(), folder=tmp_path)
    rig.scan(0, temp=51)
    with sqlite3.connect(tmp_path / "alarms.db") as db:
        db.execute("UPDATE alarm SET kept = ?", (damage,))
    db.close()
    rig.restart()
    assert rig.state() == "NORM"
    assert "1 alarms could not be read back" in rig.engine.health()
    rig.scan(10, temp=51)
    assert rig.state() == "UNACK"
