"""Trend logs of devices in history: marked with where they come from, once each, and never in the way of the rest."""

from __future__ import annotations

import dataclasses
import logging
from pathlib import Path

import numpy as np
import pytest

from plantview.clock import ManualClock
from plantview.errors import HistoryError
from plantview.history import Samples, Store
from plantview.model.plant import Device
from plantview.model.point import BacnetAddress, Point
from plantview.model.quality import Quality
from plantview.model.reading import Batch, Reading, bad, good
from plantview.model.signal import signal_of
from plantview.polling import Backfilled
from plantview.service.backfilling import Backfilling, last_heard
from tests.faults.polled import bacnet_device, object_point, plant_of

POINT = object_point("X", bacnet_device("BC-1", 1, 77, period_s=60.0), "analog-input,1")


def _filled(clock: ManualClock) -> Backfilled:
    begin = clock.now_ms() - 3_600_000
    return Backfilled(
        POINT.name,
        "trend-log,3 of BC-1",
        (
            good(1.5, begin),
            Reading(2.5, Quality.UNCERTAIN, "in hand at the device", begin + 60_000),
            bad("fault", begin + 120_000),
        ),
    )


async def test_a_filled_outage_is_in_history_with_its_source_and_once_however_often_it_comes(tmp_path: Path) -> None:
    clock = ManualClock()
    store = Store(tmp_path, {POINT.name: signal_of(POINT)}, clock)
    store.start()
    subject = Backfilling(store)
    try:
        for _ in range(2):
            subject.take(_filled(clock))
            await subject.write()
        found = store.range(POINT.name, clock.now_ms() - 7_200_000, clock.now_ms())
    finally:
        store.close()
    assert found.quality.tolist() == [Quality.GOOD, Quality.UNCERTAIN, Quality.BAD]
    assert found.values[:2].tolist() == [1.5, 2.5]
    assert np.isnan(found.values[2])
    assert list(found.reasons) == [
        "from trend-log,3 of BC-1",
        "in hand at the device; from trend-log,3 of BC-1",
        "fault; from trend-log,3 of BC-1",
    ]


def _logged(name: str, device: Device) -> Point:
    point = object_point(name, device, "analog-input,1")
    return dataclasses.replace(point, address=BacnetAddress("analog-input", 1, trend_log=3))


@pytest.mark.parametrize("back_s", [60, 5 * 3_600, 9 * 86_400])
async def test_after_a_restart_a_device_was_last_heard_when_its_last_usable_value_was_stored(
    tmp_path: Path, back_s: int
) -> None:
    clock, device, bare = ManualClock(), bacnet_device("BC-1", 1, 77), bacnet_device("BC-2", 2, 78)
    points = [_logged("X", device), object_point("Z", bare, "analog-input,1")]
    signals = {point.name: signal_of(point) for point in points}
    begin_ms = clock.now_ms()
    former = Store(tmp_path, signals, clock)
    former.take(Batch(begin_ms, {"X.power": good(1.0, begin_ms), "Z.power": good(1.0, begin_ms)}, {}))
    former.take(Batch(begin_ms + 9, {"X.power": bad("refused", begin_ms + 9)}, {}))
    former.flush()
    former.close()
    await clock.advance(back_s)
    store = Store(tmp_path, signals, clock)
    store.recall()
    try:
        heard = await last_heard(store, plant_of([device, bare], points), clock.now_ms())
    finally:
        store.close()
    assert heard == {"BC-1": begin_ms}, "a device without trend logs has nothing to tell of the past"


async def test_a_plant_without_history_has_no_gap_to_fill(tmp_path: Path) -> None:
    clock, device = ManualClock(), bacnet_device("BC-1", 1, 77)
    store = Store(tmp_path, {"X.power": signal_of(_logged("X", device))}, clock)
    assert await last_heard(store, plant_of([device], [_logged("X", device)]), clock.now_ms()) == {}
    store.close()


async def test_history_that_cannot_be_read_costs_the_backfill_and_not_the_start(
    caplog: pytest.LogCaptureFixture,
) -> None:
    class Broken:
        def range(self, name: str, from_ms: int, to_ms: int) -> Samples:
            raise HistoryError("the disk fails")

    device = bacnet_device("BC-1", 1, 77)
    with caplog.at_level(logging.WARNING):
        assert await last_heard(Broken(), plant_of([device], [_logged("X", device)]), 1_000) == {}  # type: ignore[arg-type]
    assert "the disk fails" in caplog.text


async def test_a_filled_outage_is_at_once_among_the_recent_samples_in_its_place(tmp_path: Path) -> None:
    clock = ManualClock()
    store = Store(tmp_path, {POINT.name: signal_of(POINT)}, clock)
    subject, filled = Backfilling(store), _filled(clock)
    try:
        for back_s in (3_900, 0):
            at_ms = clock.now_ms() - 1_000 * back_s
            store.take(Batch(at_ms, {POINT.name: good(9.0, at_ms)}))
        older = dataclasses.replace(filled, readings=(good(0.5, clock.now_ms() - 86_400_000), *filled.readings))
        for _ in range(2):
            subject.take(older)
            await subject.write()
        recent = store.recent(POINT.name, 0, clock.now_ms() + 1)
    finally:
        store.close()
    assert np.nan_to_num(recent.values, nan=-1.0).tolist() == [9.0, 1.5, 2.5, -1.0, 9.0], "yesterday's is on disk alone"
    assert recent.reasons[1] == "from trend-log,3 of BC-1"


async def test_what_history_cannot_take_is_told_and_stops_nothing(caplog: pytest.LogCaptureFixture) -> None:
    class Full:
        def backfill(self, samples: object) -> object:
            raise HistoryError("the disk is full")

    subject = Backfilling(Full())  # type: ignore[arg-type]
    subject.take(_filled(ManualClock()))
    with caplog.at_level(logging.WARNING):
        await subject.write()
    assert "X.power from trend-log,3 of BC-1 cannot be kept: the disk is full" in caplog.text
