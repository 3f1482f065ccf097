"""Trend logs of devices in history: marked with where they come from, once each, and never in the way of the rest."""

from __future__ import annotations

import logging
from pathlib import Path

import numpy as np
import pytest

from plantview.clock import ManualClock
from plantview.errors import HistoryError
from plantview.history import Store
from plantview.model.quality import Quality
from plantview.model.reading import Reading, bad, good
from plantview.model.signal import signal_of
from plantview.polling import Backfilled
from plantview.service.backfilling import Backfilling
from tests.faults.polled import bacnet_device, object_point

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


async def test_what_history_cannot_take_is_told_and_stops_nothing(caplog: pytest.LogCaptureFixture) -> None:
    class Full:
        def backfill(self, samples: object) -> object:
            raise HistoryError("the disk is full")

    subject = Backfilling(Full())  # type: ignore[arg-type]
    subject.take(_filled(ManualClock()))
    with caplog.at_level(logging.WARNING):
        await subject.write()
    assert "X.power from trend-log,3 of BC-1 cannot be kept: the disk is full" in caplog.text
