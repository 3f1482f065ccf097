"""Several devices lost at once are one alarm; devices lost one by one are several."""

from __future__ import annotations

from pathlib import Path
from typing import Any

from plantview.alarms import Search
from plantview.alarms.watch import Losses
from tests.unit.alarm_rig import Rig, problems_of, row

LOSS: dict[str, Any] = {"type": "LOSS", "devices_min": 2, "within_s": 30}
ROWS = (
    row("LOSS", **LOSS),
    row("A", type="COMM", device="D-1", on_delay_s=30),
    row("B", type="COMM", device="D-2", on_delay_s=30),
)
GONE = "no answer in 3 s"


def started(folder: Path | None = None) -> Rig:
    """Return a plant that has been watched for two minutes."""
    rig = Rig(*ROWS, folder=folder)
    rig.scan(0)
    rig.scan(120)
    return rig


def lose(rig: Rig, at_s: float, *devices: str) -> None:
    rig.silent = dict.fromkeys(devices, GONE)
    rig.scan(at_s)


def calls(rig: Rig) -> list[str]:
    return [entry.alarm for entry in rig.entries if entry.annunciated]


def test_devices_lost_together_call_once_and_are_named() -> None:
    rig = started()
    lose(rig, 130, "D-1")
    lose(rig, 150, "D-1", "D-2")
    lose(rig, 200, "D-1", "D-2")
    assert calls(rig) == ["LOSS"]
    assert (rig.state("A"), rig.state("B")) == ("DSUPR", "DSUPR")
    assert rig.engine.snapshot()["active"][0]["text"] == "2 devices lost within 30 s: D-1, D-2"
    assert [line["kind"] for line in rig.engine.journal(10, None, Search(alarm="A"))] == ["COVERED"]


def test_devices_lost_one_after_the_other_call_each() -> None:
    rig = started()
    lose(rig, 130, "D-1")
    lose(rig, 161, "D-1", "D-2")
    lose(rig, 200, "D-1", "D-2")
    assert calls(rig) == ["A", "B"]


def test_exactly_the_window_is_together() -> None:
    rig = started()
    lose(rig, 130, "D-1")
    lose(rig, 160, "D-1", "D-2")
    assert calls(rig) == ["LOSS"]


def test_when_power_is_back_what_stays_silent_speaks_for_itself_and_keeps_the_acknowledgement() -> None:
    rig = started()
    lose(rig, 130, "D-1", "D-2")
    lose(rig, 170, "D-1", "D-2")
    rig.engine.acknowledge("LOSS", "JD")
    lose(rig, 300, "D-1")
    assert (rig.state("LOSS"), rig.state("A"), rig.state("B")) == ("NORM", "ACKED", "NORM")
    lose(rig, 310)
    assert rig.state("A") == "NORM"
    assert calls(rig) == ["LOSS"]


def test_devices_that_never_answered_since_the_start_were_not_lost_together() -> None:
    rig = Rig(*ROWS)
    lose(rig, 0, "D-1", "D-2")
    lose(rig, 100, "D-1", "D-2")
    assert calls(rig) == ["A", "B"]


def test_a_common_loss_goes_on_across_a_kill_without_calling_again(tmp_path: Path) -> None:
    rig = started(tmp_path)
    lose(rig, 130, "D-1", "D-2")
    lose(rig, 170, "D-1", "D-2")
    rig.restart()
    lose(rig, 180, "D-1", "D-2")
    lose(rig, 400, "D-1", "D-2")
    assert (rig.state("LOSS"), rig.state("A")) == ("UNACK", "DSUPR")
    assert calls(rig) == ["LOSS"]


def test_the_largest_group_is_told_and_an_older_loss_is_not_part_of_it() -> None:
    watch = Losses(2, 30.0)
    assert not watch.take(["A"], 100.0, starting=False, active=False)
    assert watch.take(["A", "B", "C"], 200.0, starting=False, active=False)
    assert watch.lost == {"B", "C"}
    assert not watch.take(["A", "C"], 210.0, starting=False, active=True)
    assert watch.lost == frozenset()


def test_a_row_for_a_loss_needs_devices_and_a_time() -> None:
    found = problems_of(row("LOSS", type="LOSS", devices_min=9, within_s=0))
    assert [(problem.place.rpartition(".")[2], problem.wrong) for problem in found] == [
        ("within_s", "must be above 0"),
        ("devices_min", "'9' devices"),
    ]
    assert [problem.place for problem in problems_of(row("LOSS", type="LOSS", devices_min=1, within_s=30))] == [
        "alarms[LOSS].devices_min"
    ]
    assert problems_of(row("LOSS", **LOSS)) == []
