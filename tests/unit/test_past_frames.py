"""Frames of the past: what was read, worked out and in alarm then, and nothing of the present."""

from __future__ import annotations

import asyncio
import socket
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from plantview.alarms import compile_rules
from plantview.channel.client import ask_once
from plantview.channel.messages import AskRefused
from plantview.channel.paths import socket_path
from plantview.clock import ManualClock, SystemClock
from plantview.derive import Derivation
from plantview.history import Archive, Samples, Store
from plantview.history.room import Limits
from plantview.importing.replay import moments
from plantview.model.columns import Reasons
from plantview.model.plant import Plant
from plantview.model.quality import Quality
from plantview.model.reading import Frame, Reading
from plantview.model.signal import signal_of
from plantview.service.past_alarms import NO_JOURNAL, AlarmsThen
from plantview.service.past_asks import FRAMES_MAX, PastAsks
from plantview.service.past_field import REFUSED, PastField
from tests.unit.alarm_rig import Rig, row, small_plant
from tests.unit.test_import_replay import RUNNING

HOUR_MS = 3_600_000
START_MS = 1_780_000_000_000 // HOUR_MS * HOUR_MS
NOW_MS = START_MS + 6 * HOUR_MS


def line(at_ms: np.ndarray[Any, Any], value: float) -> Samples:
    return Samples(at_ms, np.full(at_ms.size, value), np.zeros(at_ms.size, np.uint8), ("",) * at_ms.size)


def stored(plant: Plant, data: Path, samples: dict[str, Samples]) -> None:
    derivation = Derivation(plant)
    signals = {name: signal_of(point) for name, point in plant.points.items()} | dict(derivation.signals)
    store = Store(data, signals, SystemClock(), Limits(reserve_bytes=0))
    store.backfill(samples)
    store.seal(everything=True)
    store.close()


def looking_back(plant: Plant, data: Path, now_ms: int = NOW_MS) -> PastAsks:
    derivation = Derivation(plant)
    signals = {name: signal_of(point) for name, point in plant.points.items()} | dict(derivation.signals)
    rules, _ = compile_rules(plant, signals)
    then = AlarmsThen(data, rules)
    return PastAsks(plant, signals, derivation, Archive(data), lambda *_: {}, then, ManualClock(now_ms))


@pytest.fixture(scope="module")
def logged(orchard: Plant, tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Return a data folder with four hours of five-second readings; the last minute of one point is missing."""
    data = tmp_path_factory.mktemp("logged")
    at_ms = np.arange(START_MS, START_MS + 4 * HOUR_MS, 5_000, dtype=np.int64)
    samples = {name: line(at_ms, value) for name, value in RUNNING.items()}
    at_half = at_ms < START_MS + 2 * HOUR_MS
    samples["CH-1.power"] = Samples(
        at_ms, np.where(at_half, 170.0, 85.0), np.zeros(at_ms.size, np.uint8), ("",) * at_ms.size
    )
    samples["CH-1.chws_temp"] = line(at_ms[at_ms < START_MS + HOUR_MS], 6.7)
    stored(orchard, data, samples)
    return data


async def test_a_moment_shows_what_was_current_then_and_derived_values_worked_out_where_none_were_stored(
    orchard: Plant, logged: Path
) -> None:
    at_ms = START_MS + HOUR_MS // 2
    answer = await looking_back(orchard, logged).past({"at_ms": at_ms, "step_s": 1, "count": 1})
    [frame] = answer["frames"]
    assert frame["readings"]["CH-1.power"][:3] == [170.0, 0, ""]
    assert 0 <= at_ms - frame["readings"]["CH-1.power"][3] < 5_000
    # independent of the sweep that answers: one live frame of the same readings
    live = Frame(0, at_ms, {name: Reading(value, Quality.GOOD, "", at_ms) for name, value in RUNNING.items()})
    expected = Derivation(orchard).run(live).readings["CH-1.kw_per_ton"]
    assert expected.value is not None
    assert frame["readings"]["CH-1.kw_per_ton"][0] == pytest.approx(expected.value, rel=1e-12)
    assert frame["conditions"]["CH-1"][0] == "run"
    assert set(frame["conditions"]) >= {"CH-1", "CHWP-1", "CWP-1"}
    assert any(moving for _, moving, _ in frame["flows"].values())


async def test_later_frames_hold_changes_and_put_on_the_first_they_are_the_whole_moment(
    orchard: Plant, logged: Path
) -> None:
    asks = looking_back(orchard, logged)
    begin = START_MS + 2 * HOUR_MS - 60_000
    window = (await asks.past({"at_ms": begin, "step_s": 60, "count": 3}))["frames"]
    held: dict[str, dict[str, Any]] = {part: {} for part in ("readings", "conditions", "flows")}
    for frame in window:
        for part, rows in held.items():
            rows.update(frame[part])
        [alone] = (await asks.past({"at_ms": frame["at_ms"], "step_s": 1, "count": 1}))["frames"]
        assert held == {part: alone[part] for part in held}
    assert [frame["readings"]["CH-1.power"][0] for frame in window] == [170.0, 85.0, 85.0]
    assert "alarms" not in window[1]


async def test_a_point_that_fell_silent_grows_stale_and_then_has_no_number(orchard: Plant, logged: Path) -> None:
    gone = START_MS + HOUR_MS
    asks = looking_back(orchard, logged)
    seen = []
    for after_s in (0, 30, 600):
        [frame] = (await asks.past({"at_ms": gone + after_s * 1_000, "step_s": 1, "count": 1}))["frames"]
        seen.append(frame["readings"]["CH-1.chws_temp"][:2])
    assert seen == [[6.7, Quality.GOOD], [6.7, Quality.STALE], [None, Quality.BAD]]


async def test_the_future_is_refused_and_a_window_ends_at_the_present(orchard: Plant, logged: Path) -> None:
    asks = looking_back(orchard, logged, now_ms=START_MS + HOUR_MS)
    with pytest.raises(AskRefused, match="not come yet"):
        await asks.past({"at_ms": START_MS + HOUR_MS + 1_000, "step_s": 1, "count": 1})
    answer = await asks.past({"at_ms": START_MS + HOUR_MS - 5_000, "step_s": 1, "count": FRAMES_MAX})
    assert [frame["at_ms"] for frame in answer["frames"]][-1] == START_MS + HOUR_MS


@pytest.mark.parametrize(
    "asked",
    [
        {"at_ms": "now", "step_s": 1, "count": 1},
        {"at_ms": START_MS, "step_s": 0, "count": 1},
        {"at_ms": START_MS, "step_s": 1, "count": FRAMES_MAX + 1},
        {"at_ms": -1, "step_s": 1, "count": 1},
        {"at_ms": START_MS, "step_s": 1, "count": True},
    ],
)
async def test_a_question_beyond_its_bounds_is_refused(orchard: Plant, logged: Path, asked: dict[str, Any]) -> None:
    with pytest.raises(AskRefused):
        await looking_back(orchard, logged).past(asked)


async def test_more_questions_than_may_wait_are_refused_and_the_others_are_answered(
    orchard: Plant, logged: Path
) -> None:
    asks = looking_back(orchard, logged)
    asked = {"at_ms": START_MS, "step_s": 1, "count": 1}
    answers = await asyncio.gather(*(asks.past(asked) for _ in range(12)), return_exceptions=True)
    assert sum(isinstance(answer, AskRefused) for answer in answers) == 4
    assert sum(isinstance(answer, dict) for answer in answers) == 8


async def test_hourly_readings_of_a_log_are_current_for_hours(orchard: Plant, tmp_path: Path) -> None:
    at_ms = np.arange(START_MS, START_MS + 24 * HOUR_MS, HOUR_MS, dtype=np.int64)
    stored(orchard, tmp_path, {"CH-1.power": line(at_ms, 150.0)})
    asks = looking_back(orchard, tmp_path, now_ms=START_MS + 48 * HOUR_MS)
    [frame] = (await asks.past({"at_ms": START_MS + 12 * HOUR_MS + 50 * 60_000, "step_s": 1, "count": 1}))["frames"]
    assert frame["readings"]["CH-1.power"][:2] == [150.0, Quality.GOOD]
    assert frame["readings"]["CWP-1.status"][:3] == [None, Quality.BAD, "not read yet"]


def test_moments_of_a_window_are_those_of_its_samples_whatever_the_step() -> None:
    signal = signal_of(small_plant().points["CH-1.chw_flow"])
    at_ms = START_MS + np.cumsum(np.full(3_600, 1_000, np.int64))
    samples = Samples(at_ms, np.arange(3_600.0), np.zeros(3_600, np.uint8), ("",) * 3_600)
    wanted = at_ms[::7] + 400
    columns, taken = moments([signal], lambda *_: {"CH-1.chw_flow": samples}, wanted, Reasons())
    assert columns["CH-1.chw_flow"].values.tolist() == [float(number) for number in range(0, 3_600, 7)]
    assert (wanted - taken["CH-1.chw_flow"] == 400).all()


def told(record: dict[str, Any]) -> tuple[Any, ...]:
    return tuple(record[key] for key in ("id", "equipment", "priority", "state", "since_ms", "acked", "active"))


@pytest.fixture
def history_of_alarms(tmp_path: Path) -> Iterator[tuple[Rig, list[tuple[int, list[tuple[Any, ...]]]]]]:
    """Return an engine that lived through something, and what its list said at each second."""
    rig = Rig(row(), row("LATCH", limit="55 degF", latching=True, priority=1), folder=tmp_path)
    seen = []
    # second -> what a person or the plant does
    temperatures = {0: 44.0, 5: 52.0, 9: 56.0, 14: 48.0, 20: 53.0, 26: 44.0}
    value = 44.0
    for second in range(32):
        value = temperatures.get(second, value)
        rig.clock.go_to(float(second))
        rig.scan(temp=value)
        if second == 11:
            rig.engine.acknowledge("HI", "mk", "on it")
        if second == 16:
            rig.engine.acknowledge("LATCH", "mk", "")
        if second == 22:
            rig.engine.shelve("HI", "mk", "being repaired", 600.0)
        if second == 28:
            rig.engine.reset("LATCH", "mk")
        seen.append((rig.clock.now_ms(), [told(record) for record in rig.engine.snapshot()["active"]]))
    yield rig, seen
    rig.engine.close()


def test_the_list_of_any_past_second_is_what_the_engine_said_then(
    history_of_alarms: tuple[Rig, list[tuple[int, list[tuple[Any, ...]]]]], tmp_path: Path
) -> None:
    rig, seen = history_of_alarms
    rules, _ = compile_rules(small_plant(*rig.rows), {})
    first = next(at for at, rows in seen if rows)
    known = [(at, rows) for at, rows in seen if at >= first]
    assert len({str(rows) for _, rows in known}) > 5
    then = AlarmsThen(tmp_path, rules)
    whole = then.at([at for at, _ in known])
    assert [[told(record) for record in listed["active"]] for listed in whole] == [rows for _, rows in known]
    # asked one by one, the base is found from the journal alone
    for at, rows in known:
        assert [told(record) for record in then.at([at])[0]["active"]] == rows


def test_before_the_journal_began_alarms_are_unknown_not_absent(
    history_of_alarms: tuple[Rig, list[tuple[int, list[tuple[Any, ...]]]]], tmp_path: Path
) -> None:
    _, seen = history_of_alarms
    then = AlarmsThen(tmp_path, ())
    assert then.at([seen[0][0] - 3_600_000])[0]["unknown"] == "the alarm journal begins later"
    assert AlarmsThen(tmp_path / "elsewhere", ()).at([0])[0] == {"active": [], "counts": {}, "unknown": NO_JOURNAL}
    (tmp_path / "bad").mkdir()
    (tmp_path / "bad" / "alarms.db").write_bytes(b"no database" * 100)
    assert "cannot be read" in AlarmsThen(tmp_path / "bad", ()).at([0])[0]["unknown"]


async def test_a_field_that_only_looks_back_answers_without_devices_and_does_nothing_else(
    orchard: Plant, logged: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    asked: list[object] = []
    monkeypatch.setattr(socket.socket, "connect", lambda *given: asked.append(given))
    monkeypatch.setattr(socket.socket, "sendto", lambda *given: asked.append(given))
    before = {path: path.stat().st_mtime_ns for path in logged.rglob("*.db")}
    stop = asyncio.Event()
    field = PastField(orchard, logged, ManualClock(NOW_MS))
    running = asyncio.create_task(field.run(stop))
    while not field.channel.path.exists():  # noqa: ASYNC110 - it has no event on this side
        await asyncio.sleep(0)
    monkeypatch.undo()
    path = socket_path(logged)
    hello, answer = await ask_once(path, "past", {"at_ms": START_MS + HOUR_MS, "step_s": 1, "count": 1}, 5.0)
    assert hello["past_only"] is True
    assert answer["frames"][0]["readings"]["CH-1.power"][0] == 170.0
    for act in REFUSED:
        with pytest.raises(AskRefused, match="nothing can be acknowledged"):
            await ask_once(path, act, {}, 5.0)
    _, extent = await ask_once(path, "past_moments", {"from_ms": 0, "to_ms": NOW_MS}, 5.0)
    assert extent["extent"][0] == START_MS
    stop.set()
    await running
    assert asked == []
    assert {path: path.stat().st_mtime_ns for path in logged.rglob("*.db")} == before
