"""Stored readings become frames again, and derived values come out as if the plant had been watched."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from plantview import cli
from plantview.clock import ManualClock
from plantview.config import load_plant
from plantview.config.bundled import bundled
from plantview.derive import Derivation
from plantview.history import Archive, Samples, Store
from plantview.importing.replay import frames, periods_s, step_s, stretches, written
from plantview.model.columns import Column, Reasons
from plantview.model.quality import Quality
from plantview.model.signal import signal_of

FOLDER = bundled("plants") / "orchard"
PLANT = load_plant(FOLDER)
SIGNALS = {name: signal_of(point) for name, point in PLANT.points.items()}
START_MS = 1_780_000_000_000
START_MS -= START_MS % 3_600_000
HOUR_MS, STEP_MS = 3_600_000, 300_000
RUNNING = {
    "CH-1.chws_temp": 6.7, "CH-1.chwr_temp": 12.2, "CH-1.cws_temp": 29.4, "CH-1.cwr_temp": 34.7, "CH-1.chw_flow": 163.8,
    "CH-1.cw_flow": 201.6, "CH-1.power": 170.0, "CH-1.status": 1.0, "CH-1.mode": 3.0, "CH-1.fault": 0.0,
    "CH-1.chw_flow_proof": 1.0, "CHWP-1.status": 1.0, "CWP-1.status": 1.0, "CHWP-1.power": 12.0, "CWP-1.power": 15.0,
    "CT-1-FAN-A.status": 1.0, "CT-1-FAN-B.status": 1.0, "CT-1-FAN-A.power": 5.0, "CT-1-FAN-B.power": 5.0,
}  # fmt: skip


def log_of(value: float, from_ms: int = START_MS, to_ms: int = START_MS + 4 * HOUR_MS) -> Samples:
    at_ms = np.arange(from_ms, to_ms, STEP_MS, dtype=np.int64)
    return Samples(at_ms, np.full(len(at_ms), value), np.zeros(len(at_ms), np.uint8), ("",) * len(at_ms))


class Read:
    def __init__(self, found: dict[str, Samples]) -> None:
        self.found = found

    def __call__(self, name: str, from_ms: int, to_ms: int) -> Samples:
        each = self.found.get(name, Samples.none())
        mask = (each.at_ms >= from_ms) & (each.at_ms < to_ms)
        reasons = tuple(reason for reason, inside in zip(each.reasons, mask.tolist(), strict=True) if inside)
        return Samples(each.at_ms[mask], each.values[mask], each.quality[mask], reasons)


def test_five_minute_readings_are_current_for_five_minutes_not_for_fifteen_seconds() -> None:
    read = Read({"CH-1.power": log_of(170.0)})
    signals = [SIGNALS["CH-1.power"]]
    periods = periods_s(signals, read, START_MS, START_MS + HOUR_MS)
    assert periods == {"CH-1.power": 300.0}
    assert step_s(periods, read, START_MS, START_MS + HOUR_MS) == 300.0
    found = list(frames(signals, read, (START_MS, START_MS + HOUR_MS), 60_000, periods))
    assert len(found) == 60
    assert {frame.reading("CH-1.power").quality for frame in found} == {Quality.GOOD}


def test_a_gap_grows_stale_then_bad_in_a_replay_too() -> None:
    read = Read({"CH-1.power": log_of(170.0, to_ms=START_MS + STEP_MS)})
    signals = [SIGNALS["CH-1.power"]]
    period_s = SIGNALS["CH-1.power"].period_s
    [*found] = frames(signals, read, (START_MS, START_MS + 120_000), 1_000, {"CH-1.power": period_s})
    quality = [frame.reading("CH-1.power").quality for frame in found]
    assert quality.count(Quality.GOOD) == int(3 * period_s) + 1
    assert quality[-1] is Quality.BAD
    assert found[-1].reading("CH-1.power").value is None
    assert sorted(quality) == quality


def test_nothing_is_known_before_the_first_reading_and_steps_run_through_all_stretches() -> None:
    span = (START_MS - 2 * HOUR_MS, START_MS + 13 * HOUR_MS)
    read = Read({"CH-1.power": log_of(170.0, to_ms=START_MS + 13 * HOUR_MS)})
    found = list(frames([SIGNALS["CH-1.power"]], read, span, 420_000, {"CH-1.power": 300.0}))
    assert np.diff([frame.at_ms for frame in found]).tolist() == [420_000] * (len(found) - 1)
    assert [frame.seq for frame in found] == list(range(1, len(found) + 1))
    assert found[0].reading("CH-1.power").reason == "not read yet"
    assert found[-1].reading("CH-1.power").value == 170.0


def test_columns_become_samples_without_a_number_where_there_was_none() -> None:
    reasons = Reasons()
    column = Column(np.array([1.5, np.nan]), np.array([0, 3], np.uint8), np.array([0, reasons.code("no flow")]))
    [samples] = written(np.array([1_000, 2_000]), {"a": column}, reasons).values()
    assert samples.at_ms.tolist() == [1_000, 2_000]
    assert np.isnan(samples.values[1])
    assert samples.quality.tolist() == [0, 3]
    assert samples.reasons == ("", "no flow")


def test_columns_of_a_replay_are_its_frames() -> None:
    mixed = log_of(170.0, to_ms=START_MS + HOUR_MS)
    mixed.quality[3], mixed.values[3] = 3, np.nan
    mixed.quality[5] = 1
    reasons = ["", "", "", "device fault", "", "in hand", *[""] * 6]
    read = Read({"CH-1.power": Samples(mixed.at_ms, mixed.values, mixed.quality, tuple(reasons))})
    signals, span = [SIGNALS["CH-1.power"], SIGNALS["CH-1.status"]], (START_MS - 1_000, START_MS + 2 * HOUR_MS)
    periods = {"CH-1.power": 60.0, "CH-1.status": 60.0}
    texts, rows = Reasons(), []

    def read_all(names: Sequence[str], from_ms: int, to_ms: int) -> dict[str, Samples]:
        return {name: read(name, from_ms, to_ms) for name in names}

    for at_ms, columns in stretches(signals, read_all, span, 7_000, periods, texts):
        rows += [
            (at, {name: each.reading(row, 0, texts) for name, each in columns.items()})
            for row, at in enumerate(at_ms.tolist())
        ]
    found = [
        (frame.at_ms, {name: replace(each, at_ms=0) for name, each in frame.readings.items()})
        for frame in frames(signals, read, span, 7_000, periods)
    ]
    assert rows == found
    assert {reading["CH-1.power"].quality for _, reading in found} == set(Quality)


def test_recompute_replaces_wrong_derived_values_by_those_of_the_readings(tmp_path: Path) -> None:
    derivation = Derivation(PLANT)
    known = SIGNALS | dict(derivation.signals)
    store = Store(tmp_path, known, ManualClock(START_MS + 9 * HOUR_MS))
    wrong = log_of(99_999.0)
    store.backfill({**{name: log_of(value) for name, value in RUNNING.items()}, "CH-1.cooling_load": wrong})
    store.close()
    assert cli.main(["recompute", str(FOLDER), "--data", str(tmp_path)]) == 0
    load = Archive(tmp_path).range("CH-1.cooling_load", START_MS, START_MS + 4 * HOUR_MS)
    assert len(load.at_ms) == 48
    # 163.8 m³/h of water over 5.5 K: 45.5 kg/s × 4.19 kJ/(kg·K) × 5.5 K ≈ 1 049 kW (density 1 kg/L, by hand)
    assert set(load.quality.tolist()) == {0}
    assert load.values.tolist() == pytest.approx([1_049.0] * 48, rel=0.005)


def test_alarms_of_stored_readings_are_told_and_nothing_is_written(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    store = Store(tmp_path, SIGNALS, ManualClock(START_MS + 9 * HOUR_MS))
    faulty = log_of(0.0)
    faulty.values[20:] = 1.0
    store.backfill({**{name: log_of(value) for name, value in RUNNING.items()}, "CH-1.fault": faulty})
    store.close()
    before = Archive(tmp_path).names()
    assert cli.main(["recompute", str(FOLDER), "--data", str(tmp_path), "--alarms"]) == 0
    told = capsys.readouterr().out
    assert "dry replay, nothing was written" in told
    assert "CH-1" in told.split("alarms:", 1)[1]
    assert Archive(tmp_path).names() == before


def test_a_folder_that_a_running_plant_owns_is_refused(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    from plantview.process import owned

    with owned(tmp_path):
        assert cli.main(["recompute", str(FOLDER), "--data", str(tmp_path)]) == 2
    assert "is in use by process" in capsys.readouterr().err
