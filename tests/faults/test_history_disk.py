"""A disk that is full, files that are damaged: each has a plain sentence, and live monitoring goes on."""

from __future__ import annotations

import contextlib
import os
import random
import sqlite3
import subprocess
from collections.abc import Iterator
from pathlib import Path

import numpy as np
import pytest

from plantview.clock import ManualClock
from plantview.errors import HistoryError
from plantview.history import Archive, Samples, Store
from plantview.history import keeper as keeping
from plantview.history.room import Limits
from plantview.model.quality import Quality
from plantview.model.reading import Batch, good
from tests.history_rig import DAY_MS, HOUR_MS, START_MS, mixed, recorded, signal

NAME = "CH-1.chws_temp"
FOREVER = 10**14


@pytest.fixture
def small_disk(tmp_path: Path) -> Iterator[Path]:
    """Give a disk of 3 MB."""
    place = tmp_path / "disk"
    place.mkdir()
    mounted = subprocess.run(
        ["mount", "-t", "tmpfs", "-o", "size=3m", "tmpfs", str(place)], capture_output=True, check=False
    )
    if mounted.returncode:
        pytest.skip("mounting a small disk needs root")
    try:
        yield place
    finally:
        subprocess.run(["umount", "-l", str(place)], check=True)


def taken(store: Store, clock: ManualClock, samples: int) -> None:
    for _ in range(samples):
        clock._ms += 1_000.0
        at_ms = clock.now_ms()
        store.take(Batch(at_ms, {name: good(at_ms % 9_973 / 7, at_ms) for name in store.points}))


def test_on_a_full_disk_monitoring_goes_on_and_nothing_acknowledged_is_lost(small_disk: Path) -> None:
    clock = ManualClock(START_MS)
    store = Store(small_disk, mixed(100), clock, Limits(reserve_bytes=0))
    filler, acknowledged = small_disk / "somebody-else", 0

    def write_until_refused() -> None:
        nonlocal acknowledged
        for _ in range(100):
            taken(store, clock, 20)
            store.flush()
            acknowledged = store.stats()["written"]
            with contextlib.suppress(OSError):
                other.write(os.urandom(60_000))

    with filler.open("wb", buffering=0) as other, pytest.raises(HistoryError, match="history is not written"):
        write_until_refused()
    assert acknowledged > 0
    assert "full" in store.health()
    assert "live monitoring goes on" in store.health()
    taken(store, clock, 20)
    assert store.frame().reading("EQ-0.temperature_0").value is not None
    waiting = store.stats()["waiting"]
    assert waiting >= 2_000
    filler.unlink()
    store.flush()
    assert store.stats()["waiting"] == 0
    assert store.stats()["lost"] == 0
    assert store.health() == ""
    store.close()
    found = Archive(small_disk).ranges(list(store.points), 0, FOREVER)
    assert sum(item.at_ms.size for item in found.values()) == acknowledged + waiting
    assert Archive(small_disk).check().ok


def test_a_full_disk_takes_the_reserve_and_then_the_oldest_month(small_disk: Path) -> None:
    clock = ManualClock(START_MS)
    # twenty times the reserve is not free on so small a disk, so it is laid down by hand
    store = Store(small_disk, {NAME: signal(NAME)}, clock, Limits(reserve_bytes=0))
    for month in range(2):
        begin = START_MS + 31 * DAY_MS * month
        clock._ms = float(begin + DAY_MS)
        at_ms = begin + 5_000 * np.arange(60, dtype=np.int64)
        store.backfill({NAME: Samples(at_ms, np.full(60, 7.0), np.zeros(60, np.uint8), ("",) * 60)})
    store.seal()
    (small_disk / "history" / "reserve.bin").write_bytes(bytes(500_000))
    filler = small_disk / "somebody-else"

    def fill() -> None:
        with filler.open("ab", buffering=0) as other, contextlib.suppress(OSError):
            while True:
                other.write(bytes(4_096))

    fill()
    given: list[str] = []
    while len(given) < 2:
        taken(store, clock, 500)
        store.flush()
        given = [text for text in store.health().split("; ") if "disk is full" in text]
        fill()
    assert "the samples of 2026-11 were given up" in given[0]
    assert "the last reserve is in use" in given[1]
    assert store.stats()["lost"] == 0


def test_what_waits_is_bounded_and_what_is_lost_is_counted(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(keeping, "WAITING_MAX", 1_000)
    clock = ManualClock(START_MS)
    store = Store(tmp_path, mixed(100), clock, Limits(reserve_bytes=0))
    taken(store, clock, 25)
    assert store.stats()["waiting"] == 1_000
    assert store.stats()["lost"] == 1_500
    assert "1500 readings were lost while the disk failed" in store.health()


def test_a_live_file_that_is_no_database_is_set_aside_and_a_new_one_begun(tmp_path: Path) -> None:
    (tmp_path / "history").mkdir()
    (tmp_path / "history" / "live.db").write_bytes(b"somebody wrote over it " * 1_000)
    clock = ManualClock(START_MS)
    store = Store(tmp_path, {NAME: signal(NAME)}, clock, Limits(reserve_bytes=0))
    taken(store, clock, 10)
    store.flush()
    assert "live.db was damaged and is set aside" in store.health()
    assert len(list((tmp_path / "history").glob("live.db.damaged-*"))) == 1
    assert Archive(tmp_path).range(NAME, 0, FOREVER).at_ms.size == 10


def test_a_month_file_that_is_no_database_costs_that_month_only(tmp_path: Path) -> None:
    clock = ManualClock(START_MS + 40 * DAY_MS)
    store = Store(tmp_path, {NAME: signal(NAME)}, clock, Limits(reserve_bytes=0))
    for begin in (START_MS, START_MS + 31 * DAY_MS):
        at_ms = begin + 5_000 * np.arange(60, dtype=np.int64)
        store.backfill({NAME: Samples(at_ms, np.full(60, 7.0), np.zeros(60, np.uint8), ("",) * 60)})
    store.close()
    (tmp_path / "history" / "2026-11.db").write_bytes(b"somebody wrote over it " * 1_000)
    archive = Archive(tmp_path)
    assert archive.range(NAME, 0, FOREVER).at_ms.tolist()[0] == START_MS + 31 * DAY_MS
    assert any("2026-11.db cannot be read" in text for text in archive.trouble)
    assert any("2026-11.db cannot be read" in text for text in archive.check().problems)
    store = Store(tmp_path, {NAME: signal(NAME)}, clock, Limits(reserve_bytes=0))
    late = Samples(np.array([START_MS], np.int64), np.array([1.0]), np.zeros(1, np.uint8), ("",))
    with pytest.raises(HistoryError, match="not a database"):
        store.backfill({NAME: late})
    assert store.backfill({NAME: late}).counts["taken"] == 1
    assert "2026-11.db was damaged and is set aside" in store.health()


@pytest.mark.parametrize("seed", range(12))
def test_a_flipped_bit_is_a_gap_with_a_reason_or_harmless_and_never_a_wrong_number(tmp_path: Path, seed: int) -> None:
    signals = mixed(20, period_s=60)
    clock = ManualClock(START_MS + 2 * DAY_MS)
    store = Store(tmp_path, signals, clock, Limits(reserve_bytes=0))
    expected = recorded(signals, START_MS, START_MS + 2 * DAY_MS)
    store.backfill(expected)
    store.close()
    path = tmp_path / "history" / "2026-11.db"
    content, lots = bytearray(path.read_bytes()), random.Random(seed)
    place = lots.randrange(100 * 8, len(content) * 8)
    content[place // 8] ^= 1 << place % 8
    path.write_bytes(content)
    archive = Archive(tmp_path)
    found = archive.ranges(list(signals), 0, FOREVER)
    missing = 0
    for name, whole in expected.items():
        good_ones = found[name].quality != Quality.BAD
        numbers = dict(zip(found[name].at_ms[good_ones].tolist(), found[name].values[good_ones].tolist(), strict=True))
        truth = dict(zip(whole.at_ms.tolist(), whole.values.tolist(), strict=True))
        assert numbers.items() <= truth.items(), name
        missing += len(truth) - len(numbers)
    if missing:
        assert archive.trouble or any("damaged on disk" in item.reasons for item in found.values())
        assert not archive.check().ok


def test_a_damaged_chunk_stays_a_gap_with_its_reason_when_the_day_is_gathered(tmp_path: Path) -> None:
    clock = ManualClock(START_MS)
    store = Store(tmp_path, {NAME: signal(NAME)}, clock, Limits(reserve_bytes=0))
    for hour in range(3):
        at_ms = START_MS + hour * HOUR_MS + 5_000 * np.arange(60, dtype=np.int64)
        clock._ms = float(START_MS + (hour + 1) * HOUR_MS)
        store.backfill({NAME: Samples(at_ms, at_ms % 997 / 10, np.zeros(60, np.uint8), ("",) * 60)})
    db = store.keeper.sealer.file("2026-11").samples
    block = bytearray(db.execute("SELECT b FROM chunk WHERE t0 = ?", (START_MS + HOUR_MS,)).fetchone()[0])
    block[-1] ^= 1
    db.execute("UPDATE chunk SET b = ? WHERE t0 = ?", (bytes(block), START_MS + HOUR_MS))
    for _ in range(2):  # read from the hours, then from the day
        found = Archive(tmp_path).range(NAME, 0, FOREVER)
        assert found.at_ms.size == 121
        assert found.reasons[60] == "damaged on disk"
        assert found.quality[60] == Quality.BAD
        clock._ms = float(START_MS + 2 * DAY_MS)
        store.seal()
    buckets = Archive(tmp_path).reduced(NAME, START_MS, START_MS + DAY_MS, 100, resolution="5 min")
    lost = START_MS + HOUR_MS
    assert any(start <= lost < end for start, end in buckets.gaps.tolist())
    assert buckets.count.sum() == 120


def test_a_reader_that_is_in_the_middle_never_stops_the_writer(tmp_path: Path) -> None:
    clock = ManualClock(START_MS)
    store = Store(tmp_path, mixed(100), clock, Limits(reserve_bytes=0))
    taken(store, clock, 10)
    store.flush()
    pinned = sqlite3.connect(f"file:{tmp_path}/history/live.db?mode=ro", uri=True, isolation_level=None)
    pinned.execute("BEGIN")
    pinned.execute("SELECT count(*) FROM hot").fetchone()
    taken(store, clock, 100)
    store.flush()
    clock._ms += float(2 * HOUR_MS)
    store.seal()
    assert store.health() == ""
    pinned.close()
    taken(store, clock, 10)
    store.flush()
    clock._ms += float(2 * HOUR_MS)
    store.seal()
    assert store.stats()["log_bytes"] == 0
