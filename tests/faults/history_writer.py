"""A store that is written at full rate until somebody ends it: ``python -m tests.faults.history_writer FOLDER FIRST COUNT [URL PLANT]``.

Commit n holds a minute of plant time of every point. It is said on standard output, as a line with
its number, only after ``flush`` has returned. Finished hours and days are sealed meanwhile in a thread,
and sent on to a database by another.
"""

from __future__ import annotations

import os
import sys
import threading
from collections.abc import Callable
from pathlib import Path

from plantview.clock import ManualClock
from plantview.errors import HistoryError
from plantview.history import Store
from plantview.history.postgresql import Place
from plantview.history.room import Limits
from plantview.model.reading import Batch, good
from plantview.model.signal import Signal
from tests.history_rig import START_MS, signal

POINTS = 40
PER_COMMIT = 12
STEP_MS = 5_000
BEGIN_MS = START_MS + 22 * 3_600_000
"""Two hours before a day ends, so that a run meets the end of one."""


def points() -> dict[str, Signal]:
    names = [f"EQ-{number}.temp" for number in range(POINTS)]
    return {name: signal(name) for name in names}


def value(point: int, sample: int) -> float:
    """Return what a point has at a sample: no two neighbours alike."""
    return ((sample * 7 + point * 13) % 1_000) / 10


def at(sample: int) -> int:
    return BEGIN_MS + STEP_MS * sample


def main(folder: Path, first: int, count: int, url: str = "", plant: str = "") -> None:
    clock = ManualClock(at(first * PER_COMMIT))
    store = Store(folder, points(), clock, Limits(reserve_bytes=0), Place.of(url, plant) if url else None)
    ended = threading.Event()

    def maintain(work: Callable[[], object]) -> None:
        while not ended.is_set():
            try:
                work()
            except HistoryError as error:
                sys.stderr.write(f"{error}\n")
            ended.wait(0.001)

    works = (store.keeper.look, store.keeper.forward) if url else (store.keeper.look,)
    threads = [threading.Thread(target=maintain, args=(work,), daemon=True) for work in works]
    for thread in threads:
        thread.start()
    names = list(points())
    for commit in range(first, first + count):
        for sample in range(commit * PER_COMMIT, (commit + 1) * PER_COMMIT):
            clock._ms = float(at(sample))
            readings = {name: good(value(row, sample), at(sample)) for row, name in enumerate(names)}
            store.take(Batch(at(sample), readings))
        store.flush()
        os.write(1, f"{commit}\n".encode())
    ended.set()
    for thread in threads:
        thread.join()
    os._exit(0)  # as abruptly as a kill, but at a known place


if __name__ == "__main__":
    main(Path(sys.argv[1]), int(sys.argv[2]), int(sys.argv[3]), *sys.argv[4:])
