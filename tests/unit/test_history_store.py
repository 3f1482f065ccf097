"""What is taken comes back: from memory, after a restart, from month files, reduced, and without a plant description."""

from __future__ import annotations

import sqlite3
import threading
from collections.abc import Callable
from pathlib import Path

import pytest

from plantview.errors import HistoryError, StartRefused
from plantview.history import Archive
from plantview.history.keeper import Keeper
from plantview.model.reading import Batch, good
from tests.history_plant import FOREVER, NAME, Plant, same
from tests.history_rig import DAY_MS, HOUR_MS, START_MS, mixed, recorded, signal


@pytest.fixture
def small(tmp_path: Path) -> Plant:
    return Plant(tmp_path, {NAME: signal(NAME)})


def test_pruning_keeps_to_the_size_and_never_touches_the_newest_days(tmp_path: Path) -> None:
    plant = Plant(tmp_path, mixed(20))
    cap = 2_000_000
    for day in range(10):
        begin = START_MS + day * DAY_MS
        plant.at(begin + DAY_MS + HOUR_MS)
        plant.store.backfill(recorded(plant.signals, begin, begin + DAY_MS))
        plant.store.seal()
        plant.store.prune(max_bytes=cap)
        size = sum(path.stat().st_size for path in (tmp_path / "history").iterdir())
        assert size <= 1.02 * cap
    archive, name = Archive(tmp_path), next(iter(plant.signals))
    low, high = archive.extent() or (0, 0)
    assert high > START_MS + 10 * DAY_MS - HOUR_MS
    assert START_MS + DAY_MS < low < START_MS + 9 * DAY_MS
    first_day = archive.reduced(name, START_MS, START_MS + DAY_MS, 200)
    assert (first_day.resolution, first_day.count.sum()) == ("5 min", 17_280)
    newest = archive.range(name, START_MS + 9 * DAY_MS, FOREVER)
    assert same(newest, recorded(plant.signals, START_MS + 9 * DAY_MS, START_MS + 10 * DAY_MS)[name])


def test_a_folder_of_a_newer_version_is_refused_in_a_sentence(small: Plant) -> None:
    live = sqlite3.connect(small.folder / "history" / "live.db")
    live.execute("UPDATE meta SET value = '99' WHERE key = 'schema'")
    live.commit()
    live.close()
    with pytest.raises(StartRefused, match="newer plantview"):
        small.again()


def test_numbers_of_commits_are_never_used_twice(small: Plant) -> None:
    def ids() -> list[int]:
        return [number for numbers, _ in small.store.keeper.live.parts() for number in numbers]  # type: ignore[union-attr]

    small.take(good(7.0, START_MS), good(7.1, START_MS + 5_000))
    first = ids()
    small.store.seal(everything=True)
    small.again()
    small.take(good(7.2, START_MS + 10_000))
    assert min(ids()) > max(first)


def test_a_clock_that_was_set_is_said_and_what_it_stamped_is_kept(small: Plant) -> None:
    small.take(good(7.0, START_MS))
    small.clock.step(-3_600)
    at_ms = small.clock.now_ms()
    small.store.take(Batch(at_ms, {NAME: good(7.5, at_ms)}))
    small.store.flush()
    assert "the clock was set by -3600 s" in small.store.health()
    assert Archive(small.folder).range(NAME, 0, FOREVER).at_ms.tolist() == [at_ms, START_MS]


def until(what: Callable[[], bool]) -> None:
    """Wait for what threads do by themselves; the bound is for a test that failed."""
    pause = threading.Event()
    for _ in range(1_000):
        if what():
            return
        pause.wait(0.01)
    raise AssertionError("it never came true")


def test_threads_write_and_seal_without_being_asked(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("plantview.history.keeper.COMMIT_PERIOD_REAL_S", 0.01)
    monkeypatch.setattr("plantview.history.keeper.LOOK_PERIOD_REAL_S", 0.01)
    plant = Plant(tmp_path, {NAME: signal(NAME)})
    plant.store.start()
    plant.store.take(Batch(START_MS, {NAME: good(7.0, START_MS)}))
    until(lambda: plant.store.stats()["written"] == 1)
    plant.at(START_MS + 2 * HOUR_MS)
    until(lambda: plant.store.stats()["months"] == ["2026-11"])
    plant.store.take(Batch(START_MS + 2 * HOUR_MS, {NAME: good(7.1, START_MS + 2 * HOUR_MS)}))
    plant.store.close()
    assert Archive(tmp_path).range(NAME, 0, FOREVER).values.tolist() == [7.0, 7.1]
    assert plant.store.health() == "the clock was set by +7200 s at 2026-11-01T02:00:00.000Z"


def test_taking_never_waits_for_the_disk(small: Plant) -> None:
    keeper: Keeper = small.store.keeper
    assert keeper.live is not None
    with keeper._write_lock, keeper.live._lock:  # a commit that does not end
        small.store.take(Batch(START_MS, {NAME: good(7.0, START_MS)}))
    assert small.store.frame().reading(NAME).value == 7.0
    small.store.flush()
    assert small.store.stats()["written"] == 1


def test_a_check_reads_every_block_of_every_file(small: Plant) -> None:
    small.take(*(good(7.0, START_MS + 60_000 * minute) for minute in range(30)))
    small.at(START_MS + 2 * DAY_MS)
    small.store.seal()
    small.take(good(7.0, START_MS + 2 * DAY_MS))
    report = small.store.check()
    assert report.ok
    # a chunk, its times, two summaries, one commit
    assert report.counts == {"files": 3, "blocks": 5, "damaged": 0}


def test_a_month_of_a_newer_version_is_named_on_the_health_page_and_the_others_go_on(small: Plant) -> None:
    for begin in (START_MS, START_MS + 31 * DAY_MS):
        small.at(begin + DAY_MS)
        small.store.backfill(recorded(small.signals, begin, begin + 3_600_000))
    small.store.seal()
    small.store.keeper.sealer.close()
    month = sqlite3.connect(small.folder / "history" / "2026-11.db")
    month.execute("UPDATE meta SET value = '99' WHERE key = 'schema'")
    month.commit()
    month.close()
    small.again()
    small.store.stats()
    assert small.store.health().startswith("2026-11.db: written by a newer plantview, left alone")
    archive = Archive(small.folder)
    found = archive.range(NAME, 0, FOREVER)
    assert found.at_ms[0] >= START_MS + 31 * DAY_MS
    assert any("2026-11.db" in text and "newer plantview" in text for text in archive.trouble)
    small.at(START_MS + 34 * DAY_MS)
    with pytest.raises(HistoryError, match="newer plantview"):
        small.store.seal()
    assert (
        archive.reduced(NAME, START_MS + 31 * DAY_MS, START_MS + 32 * DAY_MS, 100, resolution="5 min").count.sum() > 0
    )
    (small.folder / "history" / "2026-11.db").unlink()
    small.store.stats()
    assert "left alone" not in small.store.health()
