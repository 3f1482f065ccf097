"""Start-up day without a network: events and how sure they are, proofs, captures, the sheet, starts, what outlives a restart."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from plantview.alarms import Entry, compile_rules
from plantview.clock import ManualClock
from plantview.derive import Derivation
from plantview.history import Samples
from plantview.model.device_event import DeviceEvent, Transition
from plantview.model.plant import Plant
from plantview.model.reading import Batch, Frame, Reading, bad, good
from plantview.model.signal import signal_of
from plantview.startup import Captures, Changes, Checkout, Event, Memory, Proof, Starts, Waiting, marker, proofs
from plantview.startup.captures import AFTER_MS, BEFORE_MS, FILES_MAX, Pending
from plantview.startup.checkout import Refused
from plantview.startup.memory import EVENTS_MAX, Wanted
from plantview.startup.proofs import STEPS

T0 = 1_764_000_000_000
PROOF = Proof("P awaits", "PCHWP-1", 2, "run status", "PCHWP-1.command", "PCHWP-1.status", 30.0, "usual")


def batch(at_s: float, **values: float) -> Batch:
    """Return readings by measurement of PCHWP-1."""
    at_ms = T0 + round(at_s * 1_000)
    return Batch(at_ms, {f"PCHWP-1.{name}": good(value, at_ms) for name, value in values.items()})


# --- C3: sequence of events -----------------------------------------------------------------------------------------


def test_a_change_between_two_scans_is_dated_by_the_later_and_uncertain_by_what_lies_between(larkfield: Plant) -> None:
    changes = Changes(larkfield)
    assert changes.take(batch(0, status=0.0))[0] == []
    assert changes.take(batch(5, status=0.0))[0] == []
    (event,), _ = changes.take(batch(10, status=1.0))
    assert (event.at_ms, event.early_ms, event.late_ms) == (T0 + 10_000, 5_000, 0)
    assert (event.source, event.kind, event.equipment) == ("scan", "status", "PCHWP-1")
    assert (event.before, event.after) == ("OFF", "RUN")


def test_a_point_in_the_fast_group_is_known_to_a_second(larkfield: Plant) -> None:
    changes = Changes(larkfield)
    changes.take(batch(0, status=0.0))
    changes.take(batch(1, status=0.0))
    (event,), _ = changes.take(batch(2, status=1.0))
    assert event.early_ms == 1_000


def test_a_reading_that_may_not_be_used_is_no_change_but_widens_the_next(larkfield: Plant) -> None:
    changes = Changes(larkfield)
    changes.take(batch(0, status=0.0))
    assert changes.take(Batch(T0 + 5_000, {"PCHWP-1.status": bad("no answer", T0 + 5_000)}))[0] == []
    (event,), _ = changes.take(batch(60, status=1.0))
    assert event.early_ms == 60_000


def test_a_valve_tells_of_its_ends_not_of_every_step(larkfield: Plant) -> None:
    changes = Changes(larkfield)
    words = []
    for second, opening in enumerate((0.0, 20.0, 60.0, 89.0, 90.0, 100.0, 50.0)):
        at_ms = T0 + second * 1_000
        events, _ = changes.take(Batch(at_ms, {"V-CH1.position": good(opening, at_ms)}))
        words += [event.after for event in events]
    assert words == ["PART OPEN", "OPEN", "PART OPEN"]


def device_event(local_ms: int | None, at_ms: int | None) -> DeviceEvent:
    return DeviceEvent(
        "BC-1",
        "analog-input,3",
        "high-limit",
        "alarm",
        (Transition("to-offnormal", False, True, 64, local_ms, at_ms),),
        0 if at_ms is not None else None,
    )


def test_a_device_stamp_counts_to_a_tenth_of_a_second_where_its_clock_is_known_and_is_told_once(
    larkfield: Plant,
) -> None:
    changes = Changes(larkfield)
    told = {"BC-1": (device_event(T0 + 3_230, T0 + 3_230),)}
    (event,) = changes.device_events(told, T0 + 40_000, 60_000)
    assert (event.at_ms, event.early_ms, event.late_ms, event.source) == (T0 + 3_230, 100, 100, "device stamp")
    assert changes.device_events(told, T0 + 41_000, 60_000) == []


def test_a_stamp_of_a_clock_that_is_not_known_is_no_stamp(larkfield: Plant) -> None:
    (event,) = Changes(larkfield).device_events({"BC-1": (device_event(T0, None),)}, T0 + 40_000, 60_000)
    assert (event.at_ms, event.early_ms, event.source) == (T0 + 40_000, 60_000, "scan")


def at(ms: int, **fields: str) -> Event:
    return replace(Event(ms, 5_000, 0, "scan", "status", "CH-1"), **fields)  # type: ignore[arg-type] # texts only


def test_events_are_filtered_by_equipment_and_kind_paged_without_gap_and_survive_a_restart(tmp_path: Path) -> None:
    memory = Memory(tmp_path)
    memory.note(
        at(T0 + step, equipment=f"CH-{step % 3 + 1}", kind="mode" if step % 2 else "status") for step in range(30)
    )
    memory.close()
    memory = Memory(tmp_path)
    found = memory.events(Wanted(equipment=("CH-1",), kinds=("mode",)))
    assert [row["at_ms"] - T0 for row in found] == [27, 21, 15, 9, 3]
    paged, before = list[int](), None
    while page := memory.events(Wanted(limit=7, before=before)):
        paged += [row["at_ms"] - T0 for row in page]
        before = (page[-1]["at_ms"], page[-1]["seq"])
    memory.close()
    assert paged == list(range(29, -1, -1))


def test_the_event_that_a_device_tells_again_after_a_restart_is_not_written_twice(tmp_path: Path) -> None:
    for _ in range(2):
        memory = Memory(tmp_path)
        memory.note([at(T0, key="BC-1|analog-input,3|to-offnormal|1")])
        memory.close()
    memory = Memory(tmp_path)
    assert len(memory.events(Wanted())) == 1
    memory.close()


def test_events_on_disk_are_bounded_and_the_oldest_go(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    assert EVENTS_MAX >= 5_000
    monkeypatch.setattr("plantview.startup.memory.EVENTS_MAX", 700)
    memory = Memory(tmp_path)
    for start in range(0, 1_500, 500):
        memory.note(at(T0 + start + step) for step in range(500))
        memory.flush()
    rows = memory.events(Wanted(limit=10_000))
    memory.close()
    assert (len(rows), rows[0]["at_ms"] - T0, rows[-1]["at_ms"] - T0) == (700, 1_499, 800)


def test_a_disk_that_fails_is_told_and_what_waited_is_written_later(tmp_path: Path) -> None:
    folder = tmp_path / "later"
    memory = Memory(folder)
    memory.note([at(T0)])
    memory.flush()
    assert "cannot be written" in memory.health()
    folder.mkdir()
    assert len(memory.events(Wanted())) == 1
    assert memory.health() == ""
    memory.close()


def test_a_marker_has_a_text_a_person_and_a_moment() -> None:
    event = marker(T0, "  strainer cleaned ", "AB")
    assert (event.at_ms, event.kind, event.text, event.person) == (T0, "marker", "strainer cleaned", "AB")
    assert marker(T0, "", "AB").text == "mark"


# --- proofs, C7 -----------------------------------------------------------------------------------------------------


def test_proofs_come_from_the_description_in_start_order(larkfield: Plant) -> None:
    found = proofs(larkfield)
    assert [proof.step for proof in found] == sorted(proof.step for proof in found)
    of_chiller = [(STEPS[proof.step], proof.timeout_s) for proof in found if proof.machine == "CH-1"]
    assert of_chiller == [
        ("chilled water valve", 120.0),  # twice the stroke of 60 s that the description gives
        ("condenser water valve", 120.0),
        ("chilled water flow proof", 60.0),
        ("condenser water flow proof", 60.0),
        ("chiller run", 300.0),
    ]
    assert {proof.machine for proof in found} >= {"CWP-1", "PCHWP-3", "SCHWP-2", "CT-1-FAN"}


def test_a_limit_that_an_alarm_sets_goes_before_the_usual_one(larkfield: Plant) -> None:
    signals = {**{point.name: signal_of(point) for point in larkfield.points.values()}, **Derivation(larkfield).signals}
    rules, _ = compile_rules(larkfield, signals)
    found = {proof.proof: proof for proof in proofs(larkfield, rules)}
    assert (found["CH-1.status"].timeout_s, found["CH-1.status"].timeout_from) == (600.0, "alarm CH-1.START")
    assert (found["CWP-1.status"].timeout_s, found["CWP-1.status"].timeout_from) == (10.0, "alarm CWP-1.RUN")
    assert found["CH-1.chw_flow_proof"].timeout_from == "usual"


class Rig:
    """One pump's proof."""

    def __init__(self, plant: Plant, folder: Path | None = None) -> None:
        self.memory = Memory(folder)
        self.changes, self.waiting = Changes(plant), Waiting([PROOF], self.memory)

    def take(self, at_s: float, **values: float) -> None:
        self.waiting.take(self.changes.take(batch(at_s, **values))[1])

    def row(self, at_s: float) -> dict[str, object]:
        return self.waiting.rows(T0 + round(at_s * 1_000))[0]


def test_a_proof_is_awaited_with_the_time_left_then_made_with_the_time_it_took(larkfield: Plant) -> None:
    rig = Rig(larkfield)
    rig.take(0, command=0.0, status=0.0)
    assert rig.row(0)["state"] == "off"
    rig.take(5, command=1.0, status=0.0)
    assert (rig.row(15)["state"], rig.row(15)["left_s"]) == ("awaited", 20.0)
    rig.take(20, command=1.0, status=1.0)
    row = rig.row(21)
    assert (row["state"], row["last_s"], row["longest_s"], row["late"]) == ("made", 15.0, 15.0, False)
    (run,) = rig.waiting.rows(T0)[0]["runs"]
    assert (run["least_s"], run["most_s"]) == (0.0, 20.0)  # both scans may be late by what lies before them


def test_who_does_not_prove_in_time_is_told_once_and_a_late_proof_is_flagged(larkfield: Plant) -> None:
    rig = Rig(larkfield)
    rig.take(0, command=0.0, status=0.0)
    rig.take(5, command=1.0)
    assert rig.waiting.tick(T0 + 34_900) == []
    (event,) = rig.waiting.tick(T0 + 35_000)
    assert (event.kind, event.equipment, event.at_ms) == ("timeout", "PCHWP-1", T0 + 35_000)
    assert "did not come within 30 s" in event.text
    assert rig.waiting.tick(T0 + 36_000) == []
    assert rig.row(36)["state"] == "timed out"
    rig.take(50, status=1.0)
    assert (rig.row(51)["state"], rig.row(51)["late"]) == ("made", True)


def test_a_valve_without_an_order_of_its_own_proves_off_its_seat_and_may_modulate(larkfield: Plant) -> None:
    changes = Changes(larkfield)
    waiting = Waiting([proof for proof in proofs(larkfield) if proof.proof == "V-CH1.position"], Memory(None))
    states = []
    for second, (order, opening) in enumerate(((0, 0), (1, 0), (1, 22), (1, 100), (1, 30), (1, 2))):
        at_ms = T0 + second * 1_000
        readings = {"CH-1.enable": good(order, at_ms), "V-CH1.position": good(opening, at_ms)}
        waiting.take(changes.take(Batch(at_ms, readings))[1])
        states.append(waiting.rows(at_ms)[0]["state"])
    assert states == ["off", "awaited", "made", "made", "made", "lost"]


def test_a_proof_that_falls_away_under_its_order_is_lost_not_awaited(larkfield: Plant) -> None:
    rig = Rig(larkfield)
    rig.take(0, command=1.0, status=1.0)
    rig.take(5, status=0.0)
    assert rig.row(6)["state"] == "lost"
    assert rig.waiting.tick(T0 + 600_000) == []


def test_an_order_that_stood_before_anybody_looked_is_not_timed(larkfield: Plant) -> None:
    rig = Rig(larkfield)
    rig.take(0, command=1.0, status=0.0)
    rig.take(8, status=1.0)
    assert (rig.row(9)["state"], rig.row(9)["runs"]) == ("made", [])


def test_the_last_ten_times_are_kept_over_a_restart(larkfield: Plant, tmp_path: Path) -> None:
    rig = Rig(larkfield, tmp_path)
    for turn in range(12):
        start = 100.0 * turn
        rig.take(start, command=0.0, status=0.0)
        rig.take(start + 5, command=1.0)
        rig.take(start + 6 + turn, status=1.0)
    rig.memory.close()
    again = Rig(larkfield, tmp_path)
    again.waiting.recall()
    row = again.row(0)
    again.memory.close()
    assert [run["seconds"] for run in row["runs"]] == [float(1 + turn) for turn in range(2, 12)]  # type: ignore[attr-defined]
    assert row["longest_s"] == 12.0


# --- C4: start to stable --------------------------------------------------------------------------------------------


def test_a_start_is_timed_to_flow_run_and_stable_supply_with_overshoot_and_least_approach(larkfield: Plant) -> None:
    signals = {**{point.name: signal_of(point) for point in larkfield.points.values()}, **Derivation(larkfield).signals}
    changes, starts = Changes(larkfield), Starts(larkfield, signals, Memory(None))
    values = {"enable": 0.0, "status": 0.0, "chw_flow_proof": 0.0, "cw_flow_proof": 0.0,
              "chws_temp": 54.0, "active_setpoint": 44.0, "evap_approach": 2.0}  # fmt: skip

    def step(second: int, **new: float) -> None:
        values.update(new)
        at_ms = T0 + second * 1_000
        readings = {f"CH-1.{name}": good(value, at_ms) for name, value in values.items()}
        starts.take(changes.take(Batch(at_ms, readings))[1])
        starts.watch(Frame(second, at_ms, readings))

    step(0)
    step(10, enable=1.0)
    step(30, chw_flow_proof=1.0)
    step(40, cw_flow_proof=1.0)
    step(70, status=1.0)
    step(400, chws_temp=44.8, evap_approach=1.1)
    step(500, chws_temp=42.9, evap_approach=0.9)  # out of ± 1 °F again: the stretch begins anew
    step(600, chws_temp=44.2)
    step(899, chws_temp=44.0)
    (row,) = starts.rows()
    assert row["stable_s"]["1.0"] is None
    step(900)
    (row,) = starts.rows()
    assert (row["chw_flow_s"], row["cw_flow_s"], row["run_s"]) == (20.0, 30.0, 60.0)
    assert row["stable_s"]["1.0"] == 590.0
    assert row["overshoot_k"] == pytest.approx(1.1 / 1.8, abs=0.01)
    assert (row["approach_k"], row["state"]) == (0.9, "stable")
    step(1_000, enable=0.0)
    assert starts.rows()[0]["state"] == "stable, then stopped"


# --- C5: captures ---------------------------------------------------------------------------------------------------


def captures(plant: Plant, folder: Path, memory: Memory) -> Captures:
    signals = {**{point.name: signal_of(point) for point in plant.points.values()}, **Derivation(plant).signals}
    return Captures(plant, compile_rules(plant, signals)[0], signals, folder, memory)


def entry(alarm: str, at_ms: int, kind: str = "ANN") -> Entry:
    return Entry(at_ms, kind, alarm, alarm.rpartition(".")[0], "NORM", "UNACK", 2, "", "tripped", True)


def reading(names: object, from_ms: int, to_ms: int) -> Mapping[str, Samples]:
    at_ms = np.arange(from_ms, to_ms, 5_000, dtype=np.int64)
    values = np.where(at_ms % 2 == 0, np.arange(at_ms.size, dtype=float), np.nan)
    values[3] = np.nan
    ring = Samples(at_ms, values, np.zeros(at_ms.size, np.uint8), ("",) * at_ms.size)
    return dict.fromkeys(names, ring)  # type: ignore[call-overload,no-any-return] # names is any sequence of them


def test_a_trip_is_captured_five_minutes_before_to_two_after_with_no_page_open(
    larkfield: Plant, tmp_path: Path
) -> None:
    memory = Memory(tmp_path)
    room = captures(larkfield, tmp_path, memory)
    room.take([entry("CH-1.CHW-FLOW-LO", T0), entry("CH-1.FAULT", T0), entry("CH-1.FAULT", T0 + 1_000, "RTN")])
    room.take([entry("CH-1.CW-FLOW", T0 + 2_000)])  # the same trip
    assert [row["alarm"] for row in room.waiting()] == ["CH-1.FAULT"]
    assert room.due(T0 + AFTER_MS - 1) == []
    (one,) = room.due(T0 + AFTER_MS)
    room.write(one, reading)
    (row,) = room.rows()
    assert (row["from_ms"], row["to_ms"]) == (T0 - BEFORE_MS, T0 + AFTER_MS)
    assert {"CH-1.status", "CH-1.chws_temp", "V-CH1.position", "CWP-1.status"} <= set(row["points"])
    assert not any(name.startswith("CH-2.") for name in row["points"])
    found = room.one(row["id"])
    assert found is not None
    sample = found["samples"][0]
    assert len(sample["at_ms"]) == (BEFORE_MS + AFTER_MS) / 5_000 + 1  # every scan, none thinned out
    assert sample["values"][3] is None
    memory.close()


def test_a_capture_that_was_due_when_the_program_ended_is_written_by_the_next(larkfield: Plant, tmp_path: Path) -> None:
    memory = Memory(tmp_path)
    captures(larkfield, tmp_path, memory).take([entry("CH-2.FAULT", T0)])
    memory.close()
    memory = Memory(tmp_path)
    room = captures(larkfield, tmp_path, memory)
    room.recall()
    for one in room.due(T0 + 10 * AFTER_MS):
        room.write(one, reading)
    assert [row["alarm"] for row in room.rows()] == ["CH-2.FAULT"]
    room.recall()
    assert room.waiting() == []
    memory.close()


def test_captures_on_disk_are_bounded_and_a_damaged_one_is_named(larkfield: Plant, tmp_path: Path) -> None:
    room = captures(larkfield, tmp_path, Memory(None))
    for turn in range(FILES_MAX + 3):
        room.write(Pending("CT-1.X", "CT-1", T0 + turn * 1_000_000, ""), lambda *_: {})
    assert len(room.rows()) == FILES_MAX
    newest = max((tmp_path / "captures").glob("*.gz"))
    newest.write_bytes(b"\x00")
    assert room.rows()[0]["damaged"]
    assert room.one("../../etc/passwd") is None


# --- C6: the checkout sheet -----------------------------------------------------------------------------------------


def sheet(plant: Plant, folder: Path) -> tuple[Checkout, Memory]:
    memory = Memory(folder)
    room = Checkout(plant, memory, ManualClock())
    room.recall()
    return room, memory


def test_a_hand_reading_is_compared_within_its_tolerance_and_the_sheet_survives_a_restart(
    larkfield: Plant, tmp_path: Path
) -> None:
    room, memory = sheet(larkfield, tmp_path)
    name = "CH-1.chws_temp"
    for second, value in enumerate((44.0, 44.5, 43.8)):
        room.take(Batch(T0 + second, {name: good(value, T0 + second)}))
    room.keep()
    frame = Frame(1, T0 + 9, {name: good(43.8, T0 + 2)})
    assert room.check(frame, name, {"hand": 44.6, "tolerance": 1.0}, "AB")["verdict"] == "pass"
    row = room.check(frame, name, {"hand": 45.0, "tolerance": 1.0, "comment": "pocket"}, "AB")
    assert (row["verdict"], row["difference"], row["raw"]) == ("fail", pytest.approx(-1.2), 438.0)
    memory.close()
    room, memory = sheet(larkfield, tmp_path)
    line = next(item for item in room.rows(frame) if item["point"] == name)
    memory.close()
    assert (line["changes"], line["seen_low"], line["seen_high"]) == (2, 43.8, 44.5)
    assert (line["value"], line["raw"], line["unit"]) == (43.8, 438.0, "°F")
    assert line["checked"] == row
    unseen = next(item for item in room.rows(frame) if item["point"] == "CH-2.chws_temp")
    assert (unseen["changes"], unseen["value"], unseen["checked"]) == (0, None, None)


@pytest.mark.parametrize(
    ("name", "given", "said"),
    [
        ("CH-9.x", {}, "no point"),
        ("CH-1.chws_temp", {"hand": float("nan")}, "no number"),
        ("CH-1.chws_temp", {"hand": 1.0, "tolerance": -1.0}, "negative"),
        ("CH-1.chws_temp", {"verdict": "perhaps"}, "pass, fail"),
        ("CH-1.status", {"hand": 1.0}, "no value to compare"),
    ],
)
def test_a_line_that_says_nothing_true_is_refused(
    larkfield: Plant, tmp_path: Path, name: str, given: dict[str, object], said: str
) -> None:
    room, memory = sheet(larkfield, tmp_path)
    frame = Frame(1, T0, {"CH-1.chws_temp": Reading(44.0, good(0, T0).quality, "", T0)})
    with pytest.raises(Refused, match=said):
        room.check(frame, name, given, "AB")
    memory.close()
