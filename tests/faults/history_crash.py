"""Kills a writing process at any moment and compares what is left with what it had acknowledged."""

from __future__ import annotations

import os
import random
import signal
import subprocess
import sys
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from plantview.clock import ManualClock
from plantview.history import Archive, Store
from plantview.history.room import Limits
from tests.faults.history_writer import BEGIN_MS, PER_COMMIT, STEP_MS, at, points, value

CHECKOUT = Path(__file__).resolve().parents[2]
COMMITS_MAX = 100_000


@dataclass
class Outcome:
    """What was acknowledged over all crashes, and what was wrong after them."""

    acknowledged: int = 0
    lost: int = 0
    wrong: int = 0
    damaged: int = 0
    unopened: int = 0
    sealed: int = 0
    """Crashes after which a month file was there."""


def killed(folder: Path, times: int, seed: int) -> Outcome:
    """Kill the writer so many times on one folder, each time after another number of acknowledgements."""
    lots, outcome, first = random.Random(seed), Outcome(), 0
    for _ in range(times):
        acknowledged = _run_and_kill(folder, first, lots.randint(1, 160))
        outcome.acknowledged += (acknowledged + 1 - first) * PER_COMMIT * len(points())
        kept = verify(folder, acknowledged, outcome)
        first = max(acknowledged + 1, kept)
    return outcome


def _run_and_kill(folder: Path, first: int, after: int) -> int:
    """Return the last acknowledged commit of a writer that was killed after some."""
    command = [sys.executable, "-m", "tests.faults.history_writer", str(folder), str(first), str(COMMITS_MAX)]
    with subprocess.Popen(command, stdout=subprocess.PIPE, cwd=CHECKOUT, env=dict(os.environ)) as writer:
        assert writer.stdout is not None
        for _ in range(after):
            assert writer.stdout.readline(), "the writer ended by itself"
        writer.send_signal(signal.SIGKILL)
        rest = writer.stdout.read().split()
    return max([first + after - 1, *(int(number) for number in rest if rest)])


def verify(folder: Path, acknowledged: int, outcome: Outcome) -> int:
    """Open what a crash left, count what is lost, wrong or damaged; return the first commit that is not there."""
    outcome.sealed += any((folder / "history").glob("2*.db"))
    store = Store(folder, points(), ManualClock(at((acknowledged + 1) * PER_COMMIT)), Limits(reserve_bytes=0))
    outcome.unopened += bool(store.health())
    store.close()
    archive = Archive(folder)
    report = archive.check()
    outcome.damaged += len(report.problems) + len(archive.trouble)
    found = archive.ranges(list(points()), 0, 10**14)
    there = 0
    for row, samples in enumerate(found.values()):
        numbers = (samples.at_ms - BEGIN_MS) // STEP_MS
        expected = np.array([value(row, sample) for sample in numbers.tolist()])
        outcome.wrong += int(np.sum(samples.values != expected))
        outcome.lost += (acknowledged + 1) * PER_COMMIT - int(np.sum(numbers < (acknowledged + 1) * PER_COMMIT))
        there = max(there, int(numbers.max(initial=-1)) + 1)
    return -(-there // PER_COMMIT)
