"""What history costs and how fast it answers: one row per figure, both sides of each ratio in this run.

python tests/bench/history.py           about a minute
python tests/bench/history.py --full    a simulated month in memory, and the crash tests at full length
"""

from __future__ import annotations

import argparse
import contextlib
import os
import re
import shutil
import sqlite3
import statistics
import subprocess
import sys
import tempfile
import threading
import time
from collections.abc import Callable, Iterator
from itertools import islice
from pathlib import Path
from typing import Any

CHECKOUT = Path(__file__).resolve().parents[2]
sys.path.insert(0, str(CHECKOUT))

from tests.bench.rows import Row, ratio_heading  # noqa: E402 - the folder is no installed package

BYTES_PER_MB = 1e6
LIVE_POINTS, LIVE_PERIOD_S = 2_000, 5
BULK_POINTS, BULK_DAYS = 20, 30


@contextlib.contextmanager
def folder() -> Iterator[Path]:
    """Give a folder on a disk, not in memory."""
    place = Path(tempfile.mkdtemp(prefix="plantview-history-", dir=os.environ.get("BENCH_DIR")))
    try:
        yield place
    finally:
        shutil.rmtree(place, ignore_errors=True)


def in_turn(*acts: Callable[[], Any], times: int = 9) -> tuple[float, ...]:
    """Return the least processor seconds that each act takes, taken in turn: what else the machine does is left out."""
    least = [float("inf")] * len(acts)
    for _ in range(times):
        for place, act in enumerate(acts):
            begin = time.process_time()
            act()
            least[place] = min(least[place], time.process_time() - begin)
    return tuple(least)


def size_of(place: Path, pattern: str = "*") -> int:
    return sum(path.stat().st_size for path in place.glob(pattern) if path.name != "reserve.bin")


def store_in(place: Path, points: int, at_ms: int) -> tuple[Any, Any]:
    from plantview.clock import ManualClock
    from plantview.history import Store
    from plantview.history.room import Limits
    from tests.history_rig import mixed

    clock = ManualClock(at_ms)
    return Store(place, mixed(points), clock, Limits(reserve_bytes=0)), clock


def seconds_of_batches(points: int, seconds: int) -> list[list[Any]]:
    """Return batches of a live plant, second by second."""
    from tests.history_rig import START_MS, batches, mixed

    found: list[list[Any]] = [[] for _ in range(seconds)]
    for batch in batches(mixed(points), START_MS, START_MS + seconds * 1_000):
        found[min(seconds - 1, (batch.at_ms - START_MS) // 1_000)].append(batch)
    return [second for second in found if second]


# --- writing ----------------------------------------------------------------------------------
def writing(full: bool) -> Iterator[Row]:
    from tests.history_rig import START_MS

    seconds = seconds_of_batches(LIVE_POINTS, 600 if full else 120)
    samples = sum(len(batch.readings) for second in seconds for batch in second)
    spent, naive = [], []
    with folder() as place:
        store, _ = store_in(place / "ours", LIVE_POINTS, START_MS)
        rows = RowPerInsert(place / "rows.db", seconds)
        for number, second in enumerate(seconds):
            begin = time.perf_counter()
            for batch in second:
                store.keeper.take(batch)
            store.flush()
            spent.append(time.perf_counter() - begin)
            if number % 3 == 0:
                naive.append(rows.insert(10) / 10)
        store.close()
    rate, naive_rate = samples / sum(spent), 1 / statistics.mean(naive)
    yield Row("durable ingest, samples/s (one row per insert beside)", f"{rate:,.0f}", f"{naive_rate:,.0f}",
              rate / naive_rate, ">= 200", rate / naive_rate >= 200)  # fmt: skip
    commit, appended, processor = _commits(seconds)
    yield Row("commit of a block p50, ms (append 4 KB + fdatasync beside)", f"{commit * 1e3:.3f}", f"{appended * 1e3:.3f}",
              commit / appended, "<= 3", commit / appended <= 3)  # fmt: skip
    share = processor / samples * 400 * 100
    yield Row("processor at 400 samples/s, writing, % of one", f"{share:.3f}", f"{processor / samples * 1e6:.2f} us/sample", None,
              "<= 0.2", share <= 0.2)  # fmt: skip


def _commits(seconds: list[list[Any]]) -> tuple[float, float, float]:
    """Return the median of a commit, that of appending 4 KB durably, done in turn, and the processor time of all of it."""
    from tests.history_rig import START_MS

    spent, plain, page, worked = [], [], os.urandom(4_096), 0.0
    with folder() as place:
        store, _ = store_in(place, LIVE_POINTS, START_MS)
        file, live = os.open(place / "plain", os.O_CREAT | os.O_WRONLY | os.O_APPEND), store.keeper.live
        commit = live._commit

        def measured(*block: Any) -> None:
            begin = time.perf_counter()
            commit(*block)
            spent.append(time.perf_counter() - begin)

        live._commit = measured
        for second in seconds:
            begin = time.process_time()
            live.append(second)
            worked += time.process_time() - begin
            middle = time.perf_counter()
            os.write(file, page)
            os.fdatasync(file)
            plain.append(time.perf_counter() - middle)
        os.close(file)
        store.close()
    return statistics.median(spent), statistics.median(plain), worked


class RowPerInsert:
    """What is written first when nobody thinks of the disk: a table, an index, every row its own transaction."""

    def __init__(self, path: Path, seconds: list[list[Any]]) -> None:
        self.db = sqlite3.connect(path, isolation_level=None)
        self.db.execute("CREATE TABLE sample (point TEXT, at_ms INTEGER, value REAL, quality INTEGER)")
        self.db.execute("CREATE INDEX sample_place ON sample (point, at_ms)")
        self.readings = (
            (n, r.at_ms, r.value, int(r.quality)) for s in seconds for b in s for n, r in b.readings.items()
        )

    def insert(self, rows: int) -> float:
        """Return the seconds for some rows."""
        begin = time.perf_counter()
        for row in islice(self.readings, rows):
            self.db.execute("INSERT INTO sample VALUES (?, ?, ?, ?)", row)
        return time.perf_counter() - begin


def child_append(place: Path, count: int) -> None:
    """Commit so many seconds of a plant of 2,000 points; say how many bytes reached the device."""
    from tests.history_rig import START_MS

    seconds = seconds_of_batches(LIVE_POINTS, count)
    samples = sum(len(batch.readings) for second in seconds for batch in second)
    store, _ = store_in(place, LIVE_POINTS, START_MS)
    before = _written()
    for second in seconds:
        for batch in second:
            store.keeper.take(batch)
        store.flush()
    print(f"{len(seconds)} {samples} {_written() - before}", flush=True)
    os._exit(0)


def _written() -> int:
    text = Path("/proc/self/io").read_text(encoding="ascii")
    return int(re.search(r"^write_bytes: (\d+)", text, re.MULTILINE)[1])  # type: ignore[index]


def device(full: bool) -> Iterator[Row]:
    from tests.history_rig import DAY_MS, HOUR_MS, START_MS, mixed, recorded

    count = 1_800 if full else 200
    with folder() as place:
        if shutil.which("strace"):
            log = place / "calls"
            strace = ["strace", "-f", "-qq", "-e", "trace=fsync,fdatasync", "-o", str(log)]
            commits = _child(strace, "append", place / "traced", str(count))[0]
            calls = len(re.findall(r"^\d+ +f(?:data)?sync\(", log.read_text(encoding="utf-8"), re.MULTILINE))
            opening = _opening_syncs(place / "opened", strace, log)
            per = (calls - opening) / commits
            yield Row(
                "fsyncs per acknowledged batch",
                f"{per:.3f}",
                f"{calls - opening} in {commits:.0f}",
                None,
                "<= 1.2",
                per <= 1.2,
            )
        commits, samples, hot = _child([], "append", place / "hot", str(count))
        points = mixed(100)
        store, clock = store_in(place / "day", 100, START_MS)
        for hour in range(24):
            store.backfill(recorded(points, START_MS + hour * HOUR_MS, START_MS + (hour + 1) * HOUR_MS))
        before, clock._ms = _written(), float(START_MS + DAY_MS + HOUR_MS)
        store.seal()
        gathered = _written() - before
        hours = _hour_bytes(place / "hours")
        total = 100 * 17_280
        store.close()
        kept = size_of(place / "day" / "history", "2*.db") / total
        per_sample = hot / samples + hours + gathered / total
        yield Row("bytes written to the device per sample, all of it", f"{per_sample:.1f}",
                  f"{hot / samples:.1f}+{hours:.1f}+{gathered / total:.1f}", None, "<= 64", per_sample <= 64)  # fmt: skip
        yield Row("bytes kept per sample, quality, times and summaries included", f"{kept:.3f}", "1 day x 100 points", None,
                  "<= 1.5", kept <= 1.5)  # fmt: skip


def _opening_syncs(place: Path, strace: list[str], log: Path) -> int:
    """Return the fsyncs of opening a new folder and committing nothing."""
    _child(strace, "append", place, "0")
    return len(re.findall(r"^\d+ +f(?:data)?sync\(", log.read_text(encoding="utf-8"), re.MULTILINE))


def _hour_bytes(place: Path) -> float:
    """Return the bytes per sample of sealing one hour of 200 points out of the live file."""
    from tests.history_rig import HOUR_MS, START_MS, batches, mixed

    store, clock = store_in(place, 200, START_MS)
    samples = 0
    for batch in batches(mixed(200), START_MS, START_MS + HOUR_MS):
        store.keeper.take(batch)
        samples += len(batch.readings)
    store.flush()
    clock._ms = float(START_MS + 2 * HOUR_MS)
    before = _written()
    store.seal()
    spent = _written() - before
    store.close()
    return spent / samples


def _child(prefix: list[str], *arguments: Any) -> tuple[float, ...]:
    command = [*prefix, sys.executable, __file__, "--child", *map(str, arguments)]
    done = subprocess.run(command, capture_output=True, text=True, check=True, cwd=CHECKOUT)
    return tuple(float(part) for part in done.stdout.splitlines()[-1].split())


# --- reading ----------------------------------------------------------------------------------
def reading(place: Path) -> Iterator[Row]:
    import numpy as np

    from plantview.history import Archive
    from tests.history_rig import DAY_MS, START_MS, mixed, recorded

    signals = mixed(BULK_POINTS)
    store, clock = store_in(place, BULK_POINTS, START_MS)
    for day in range(BULK_DAYS):
        begin = START_MS + day * DAY_MS
        clock._ms = float(begin + DAY_MS + 3_600_000)
        store.backfill(recorded(signals, begin, begin + DAY_MS))
        store.seal()
    store.close()
    names, archive = list(signals)[:10], Archive(place)
    span = (START_MS, START_MS + BULK_DAYS * DAY_MS)
    whole = archive.ranges(names, *span)
    count = min(item.values.size for item in whole.values())
    shape = (10, count)
    for part, kind in (("at_ms", np.int64), ("values", np.float64), ("quality", np.uint8)):
        plain = np.memmap(place / part, kind, "w+", shape=shape)
        for row, name in enumerate(names):
            plain[row] = getattr(whole[name], part)[:count]
        plain.flush()
    edges = by_edges(span, 1_440)

    def scan() -> list[tuple[Any, ...]]:
        """Reduce the same samples in plain arrays on disk to the same seven numbers per bucket."""
        there = [
            np.memmap(place / part, kind, "r", shape=shape)
            for part, kind in (("at_ms", np.int64), ("values", np.float64), ("quality", np.uint8))
        ]
        found = []
        for at_ms, values, quality in zip(*there, strict=True):
            cuts = np.searchsorted(at_ms, edges)
            first, ends = cuts[:-1], cuts[1:] - 1
            assert not (quality == 3).any()  # else the samples without a number must be taken out first
            counts = ends - first + 1
            mean = np.add.reduceat(values, first) / counts
            found.append((
                np.minimum.reduceat(values, first), np.maximum.reduceat(values, first), values[first], values[ends], mean,
                counts, np.maximum.reduceat(quality, first),
            ))  # fmt: skip
        return found

    floor, sums, raw = in_turn(
        scan,
        lambda: archive.reduced_all(names, *span, 1_500),
        lambda: archive.reduced_all(names, *span, 1_500, resolution="raw"),
    )
    by_sums, by_raw = (
        archive.reduced_all(names, *span, 1_500),
        archive.reduced_all(names, *span, 1_500, resolution="raw"),
    )
    assert {item.resolution for item in by_sums.values()} == {"5 min"}
    for name, plainly in zip(names, scan(), strict=True):
        np.testing.assert_array_equal(by_sums[name].min, plainly[0])
        np.testing.assert_array_equal(by_sums[name].max, plainly[1])
        np.testing.assert_array_equal(by_sums[name].count, plainly[5])
        assert by_sums[name].max.max() == by_raw[name].max.max() == whole[name].values.max(), name
        assert by_sums[name].count.sum() == by_raw[name].count.sum() == whole[name].values.size, name
    yield Row("30 d x 10 points to 1500 px by summaries, ms (memmap scan)", f"{sums * 1e3:.1f}", f"{floor * 1e3:.1f}",
              sums / floor, "<= 1", sums / floor <= 1)  # fmt: skip
    yield Row("the same from raw samples, ms (memmap scan)", f"{raw * 1e3:.1f}", f"{floor * 1e3:.1f}", raw / floor, "<= 6",
              raw / floor <= 6)  # fmt: skip
    first, end = START_MS + 20 * DAY_MS, START_MS + 21 * DAY_MS
    (one,) = in_turn(lambda: archive.reduced_all(names, first, end, 1_500))
    yield Row("1 d x 10 points to 1500 px, ms", f"{one * 1e3:.1f}", "a zoom's budget 300", None, "<= 300", one <= 0.3)
    total = BULK_POINTS * 17_280 * BULK_DAYS
    kept = size_of(place / "history", "2*.db") / total
    yield Row(
        "bytes kept per sample", f"{kept:.3f}", f"{BULK_DAYS} d x {BULK_POINTS} points", None, "<= 1.5", kept <= 1.5
    )


def by_edges(span: tuple[int, int], buckets: int) -> Any:
    import numpy as np

    return np.linspace(*span, buckets + 1).astype(np.int64)


def recent() -> Iterator[Row]:
    import numpy as np
    import pandas as pd

    from plantview.clock import ManualClock
    from plantview.history import Recent
    from plantview.model.reading import Batch, good
    from tests.history_rig import START_MS, mixed

    signals = {name: item for name, item in mixed(60).items() if not item.derived}
    history, names = Recent(signals, ManualClock(START_MS)), list(signals)[:20]
    for place in range(1_600):
        at_ms = START_MS + 5_000 * place
        history.take(Batch(at_ms, {name: good(place + row / 10, at_ms) for row, name in enumerate(signals)}))
    span = (START_MS + 5_000 * 880, START_MS + 5_000 * 1_600)
    bare = np.random.default_rng(1).normal(size=(20, 720))

    def frame() -> pd.DataFrame:
        at_ms, values = history.table(names, *span)
        return pd.DataFrame(values.T, index=at_ms, columns=names, copy=False)

    assert frame().shape == (720, 20)
    ours, floor = (
        seconds / 200
        for seconds in in_turn(lambda: [frame() for _ in range(200)], lambda: [bare.copy() for _ in range(200)])
    )
    yield Row("last hour of 20 points to a DataFrame, us (bare copy)", f"{ours * 1e6:.0f}", f"{floor * 1e6:.1f}", ours / floor,
              "<= 20", ours / floor <= 20)  # fmt: skip


# --- everything at once -----------------------------------------------------------------------
def until_told(ended: threading.Event) -> None:
    """Set an event when standard input ends."""
    sys.stdin.read()
    ended.set()


def child_read(place: Path, _: str) -> None:
    """Read ten points of a day again and again until standard input ends."""
    from plantview.history import Archive
    from tests.history_rig import DAY_MS, START_MS

    archive, queries = Archive(place), 0
    names = archive.names()[:10]
    print("ready", flush=True)
    ended = threading.Event()
    threading.Thread(target=until_told, args=(ended,), daemon=True).start()
    while not ended.is_set():
        archive.reduced_all(names, START_MS, START_MS + DAY_MS, 1_500)
        assert not archive.trouble, archive.trouble
        queries += 1
    print(queries, flush=True)


def child_plain(path: Path, _: str) -> None:
    """Append 4 KB durably a hundred times a second until standard input ends; say the p99 in seconds."""
    file, page, spent, ended = (
        os.open(path, os.O_CREAT | os.O_WRONLY | os.O_APPEND),
        os.urandom(4_096),
        [],
        threading.Event(),
    )
    print("ready", flush=True)
    threading.Thread(target=until_told, args=(ended,), daemon=True).start()
    while not ended.wait(0.01):
        begin = time.perf_counter()
        os.write(file, page)
        os.fdatasync(file)
        spent.append(time.perf_counter() - begin)
    print(at_share(spent, 0.99), flush=True)


def at_share(numbers: list[float], share: float) -> float:
    """Return the number below which a share of them lies."""
    return sorted(numbers)[int(share * (len(numbers) - 1))]


def together() -> Iterator[Row]:
    from plantview.history.keeper import SWITCH_REAL_S
    from tests.history_rig import DAY_MS, HOUR_MS, START_MS, mixed, recorded

    points, seconds = mixed(500), seconds_of_batches(LIVE_POINTS, 300)
    with folder() as place:
        store, clock = store_in(place, LIVE_POINTS, START_MS)
        for hour in range(24):
            store.backfill(recorded(points, START_MS + hour * HOUR_MS, START_MS + (hour + 1) * HOUR_MS))
        clock._ms = float(START_MS + DAY_MS + HOUR_MS)
        command = [sys.executable, __file__, "--child", "read", str(place), "-"]
        readers = [
            subprocess.Popen(command, stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True) for _ in range(3)
        ]
        # what the disk itself gives whoever writes beside all this
        command = [sys.executable, __file__, "--child", "plain", str(place / "plain"), "-"]
        bare = subprocess.Popen(command, stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True)
        for beside in (*readers, bare):
            beside.stdout.readline()  # type: ignore[union-attr]
        sys.setswitchinterval(SWITCH_REAL_S)
        compacted = threading.Event()

        def gather() -> None:
            store.keeper.sealer.sum_up()
            compacted.set()

        gathering = threading.Thread(target=gather)
        gathering.start()
        spent, longest_log, during = [], 0, 0
        for second in seconds * 4:
            begin = time.perf_counter()
            for batch in second:
                store.keeper.take(batch)
            store.flush()
            spent.append(time.perf_counter() - begin)
            longest_log = max(longest_log, *(path.stat().st_size for path in (place / "history").glob("*-wal")))
            during += not compacted.is_set()
            time.sleep(0.002)
        gathering.join()
        queries = sum(int(reader.communicate("")[0].splitlines()[-1]) for reader in readers)
        floor = float(bare.communicate("")[0].splitlines()[-1])
        store.close()
    sys.setswitchinterval(0.005)
    p99 = at_share(spent[: max(during, 200)], 0.99)
    yield Row("append p99 with 3 readers and a day being gathered, ms", f"{p99 * 1e3:.1f}", f"{len(spent)} appends, {queries} queries",
              None, "<= 20", p99 <= 0.020)  # fmt: skip
    yield Row("the same (append of 4 KB + fdatasync p99 meanwhile, by another process)", f"{p99 * 1e3:.1f}", f"{floor * 1e3:.1f}",
              p99 / floor, "<= 3", p99 / floor <= 3)  # fmt: skip
    yield Row(
        "longest write-ahead log meanwhile, MB",
        f"{longest_log / BYTES_PER_MB:.1f}",
        "",
        None,
        "<= 16",
        longest_log <= 16e6,
    )


# --- memory and cap ---------------------------------------------------------------------------
def _resident() -> float:
    text = Path("/proc/self/status").read_text(encoding="ascii")
    return int(re.search(r"VmRSS:\s+(\d+)", text)[1]) * 1_024 / BYTES_PER_MB  # type: ignore[index]


def child_memory(place: Path, days: str) -> None:
    """Say the memory over the imports of a plant of 2,000 points: two hours of it in memory, an hour sealed, days passing."""
    import numpy as np

    from plantview.history import Samples
    from tests.history_rig import DAY_MS, HOUR_MS, START_MS, mixed, recorded

    np.linalg.norm(np.ones(10))
    base = _resident()
    signals = mixed(LIVE_POINTS)
    store, clock = store_in(place, LIVE_POINTS, START_MS)
    peak = 0.0
    full = np.arange(1_440, dtype=np.int64) * 5_000 + START_MS - 2 * HOUR_MS
    for name in signals:
        store._ring.fill(name, Samples(full, np.ones(1_440), np.zeros(1_440, np.uint8), ("",) * 1_440))
    for second in seconds_of_batches(LIVE_POINTS, 600):
        for batch in second:
            store.take(batch)
        store.flush()
    store.seal(everything=True)
    peak = max(peak, _resident())
    first = last = 0.0
    few = dict(islice(signals.items(), 100))
    for day in range(int(days)):
        begin = START_MS + day * DAY_MS
        for hour in range(24):
            store.backfill(recorded(few, begin + hour * HOUR_MS, begin + (hour + 1) * HOUR_MS))
            clock._ms = float(begin + (hour + 1) * HOUR_MS + 120_000)
            store.seal()
        last = _resident()
        first = first or last
        peak = max(peak, last)
    print(f"{peak - base} {first - base} {last - base}", flush=True)
    os._exit(0)


def memory(full: bool) -> Iterator[Row]:
    days = 30 if full else 2
    with folder() as place:
        peak, first, last = _child([], "memory", place, str(days))
    yield Row("memory over the imports, 2,000 points, MB", f"{peak:.0f}", "", None, "<= 128", peak <= 128)
    yield Row(
        f"the same after {days} days, MB (after the first)",
        f"{last:.0f}",
        f"{first:.0f}",
        last / first,
        "<= 1.1",
        last / first <= 1.1,
    )


def cap() -> Iterator[Row]:
    from tests.history_rig import DAY_MS, HOUR_MS, START_MS, mixed, recorded

    signals, limit, largest = mixed(20), 3_000_000, 0
    with folder() as place:
        store, clock = store_in(place, 20, START_MS)
        for day in range(14):
            begin = START_MS + day * DAY_MS
            clock._ms = float(begin + DAY_MS + HOUR_MS)
            store.backfill(recorded(signals, begin, begin + DAY_MS))
            store.seal()
            store.prune(max_bytes=limit)
            largest = max(largest, size_of(place / "history"))
        store.close()
    yield Row(
        "largest size under a cap, MB",
        f"{largest / 1e6:.3f}",
        f"{limit / 1e6:.3f}",
        largest / limit,
        "<= 1.02",
        largest <= 1.02 * limit,
    )


def crashes(full: bool) -> Iterator[Row]:
    from tests.faults.history_crash import killed

    times = 100 if full else 5
    with folder() as place:
        found = killed(place, times, seed=1)
    yield Row(f"kill -9 x {times}: lost acknowledged samples, damaged blocks", f"{found.lost}, {found.damaged}",
              f"{found.acknowledged:,} acknowledged", None, "0, 0", found.lost == found.damaged == 0)  # fmt: skip
    if shutil.which("strace"):
        from tests.faults.history_power import cut

        images = 150 if full else 10
        with folder() as place:
            outcome = cut(place, images, seed=1)
        yield Row(f"power cut x {images}: not opened, lost, damaged", f"{outcome.unopened}, {outcome.lost}, {outcome.damaged}",
                  f"{outcome.acknowledged:,} acknowledged", None, "0, 0, 0",
                  outcome.unopened == outcome.lost == outcome.damaged == 0)  # fmt: skip


CHILDREN = {
    "append": lambda place, n: child_append(place, int(n)),
    "read": child_read,
    "plain": child_plain,
    "memory": child_memory,
}


def main() -> int:
    """Print the rows; return 1 if one is short."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--full", action="store_true")
    parser.add_argument("--child", nargs=3, metavar=("WHAT", "FOLDER", "N"))
    chosen = parser.parse_args()
    if chosen.child:
        CHILDREN[chosen.child[0]](Path(chosen.child[1]), chosen.child[2])
        return 0
    print(f"SQLite {sqlite3.sqlite_version}, {os.cpu_count()} processors, load {os.getloadavg()[0]:.1f}")
    print(ratio_heading())
    short = 0
    with folder() as bulk:
        for row in (
            *writing(chosen.full), *device(chosen.full), *reading(bulk), *recent(), *together(), *memory(chosen.full), *cap(),
            *crashes(chosen.full),
        ):  # fmt: skip
            print(row, flush=True)
            short += not row.ok
    return int(short > 0)


if __name__ == "__main__":
    sys.exit(main())
