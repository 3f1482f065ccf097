"""An import into a running plant: bounded parts, durable when acknowledged, refused when it is no history."""

from __future__ import annotations

import asyncio
from collections.abc import AsyncIterator
from contextlib import ExitStack
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from plantview.channel.paths import socket_path
from plantview.channel.server import ChannelServer
from plantview.cli_keep import RunningPlant, kept_by, parts
from plantview.errors import ChannelError, StartRefused
from plantview.history import Samples, Store
from plantview.model.plant import Plant
from plantview.model.signal import signal_of
from plantview.process import owned
from plantview.service.backfill_ask import SAMPLES_MAX, BackfillAsk, row_of_samples, samples_of_row
from tests.history_plant import SMALL, same
from tests.history_rig import DAY_MS, START_MS, signal

NAME = "CH-1.chws_temp"


def some(count: int, first_ms: int = START_MS) -> Samples:
    values = np.arange(count) / 10.0
    values[1::7] = np.nan
    quality = np.where(np.isnan(values), 3, 0).astype(np.uint8)
    reasons = tuple("in the log: no number" if bad else "" for bad in quality.tolist())
    return Samples(first_ms + 60_000 * np.arange(count, dtype=np.int64), values, quality, reasons)


@pytest.fixture
async def running(tmp_path: Path) -> AsyncIterator[Store]:
    from plantview.clock import ManualClock

    store = Store(tmp_path, {NAME: signal(NAME)}, ManualClock(START_MS + 30 * DAY_MS), SMALL)
    channel = ChannelServer(socket_path(tmp_path))
    channel.register("backfill", BackfillAsk(store).answer)
    await channel.start()
    channel.publish("hello", {"plant_id": "rig"})
    yield store
    await channel.stop()
    store.close()


def test_samples_cross_the_channel_as_they_were() -> None:
    given = some(30)
    assert same(samples_of_row(row_of_samples(given)), given)


def test_a_log_is_cut_into_bounded_questions_and_nothing_is_left_out() -> None:
    logs = {"A.x": some(SAMPLES_MAX + 5), "B.y": some(7), "C.z": some(2 * SAMPLES_MAX)}
    questions = list(parts(logs))
    sizes = [sum(len(row["at_ms"]) for row in part.values()) for part in questions]
    assert max(sizes) <= SAMPLES_MAX
    assert sum(sizes) == sum(one.at_ms.size for one in logs.values())
    for name, one in logs.items():
        assert [at for part in questions for at in part.get(name, {"at_ms": []})["at_ms"]] == one.at_ms.tolist()


async def test_a_running_plant_takes_a_log_and_has_it_when_it_says_so(running: Store, tmp_path: Path) -> None:
    given = some(50)
    plant = RunningPlant(tmp_path)
    report = await asyncio.to_thread(plant.backfill, {NAME: given, "CH-9.none": some(3)})
    assert report.counts == {"taken": 50, "refused": 3}
    assert report.problems == ("CH-9.none: no such point in this plant",)
    assert same(running.range(NAME, 0, START_MS + 10 * DAY_MS), given)


@pytest.mark.parametrize(
    "row",
    [
        {},
        {"at_ms": [1], "values": ["x"], "quality": [0], "words": [""], "reasons": [0]},
        {"at_ms": [1, 2], "values": [1.0], "quality": [0], "words": [""], "reasons": [0]},
        {"at_ms": [1], "values": [1.0], "quality": [4], "words": [""], "reasons": [0]},
        {"at_ms": [1], "values": [1.0], "quality": [0], "words": [""], "reasons": [7]},
        {"at_ms": [2**70], "values": [1.0], "quality": [0], "words": [""], "reasons": [0]},
    ],
)
async def test_what_is_no_history_is_refused_in_words(running: Store, row: dict[str, object]) -> None:
    with pytest.raises(ChannelError, match="these are no samples"):
        await BackfillAsk(running).answer({"samples": {NAME: row}})
    assert running.range(NAME, 0, START_MS + 40 * DAY_MS).at_ms.size == 0


async def test_a_question_that_is_too_long_is_refused(running: Store) -> None:
    row = row_of_samples(some(SAMPLES_MAX + 1))
    with pytest.raises(ChannelError, match="in parts"):
        await BackfillAsk(running).answer({"samples": {NAME: row}})


def test_a_folder_that_nobody_runs_on_is_written_by_the_command_itself(orchard: Plant, tmp_path: Path) -> None:
    signals = {point.name: signal_of(point) for point in orchard.points.values()}
    with ExitStack() as stack:
        keeping = kept_by(stack, replace(orchard), tmp_path, signals)
        assert isinstance(keeping, Store)
        with pytest.raises(StartRefused, match="in use by process"), owned(tmp_path):
            pass


async def test_a_folder_with_a_running_plant_is_written_by_that_plant(
    running: Store, orchard: Plant, tmp_path: Path
) -> None:
    with owned(tmp_path), ExitStack() as stack:
        assert isinstance(kept_by(stack, orchard, tmp_path, {}), RunningPlant)


def test_a_folder_held_by_something_that_does_not_answer_is_refused(orchard: Plant, tmp_path: Path) -> None:
    with owned(tmp_path), ExitStack() as stack, pytest.raises(StartRefused, match="in use by process"):
        kept_by(stack, orchard, tmp_path, {})
