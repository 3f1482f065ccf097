"""Commands to equipment: the case table with its frames counted, crashes at drawn borders, real kills, a day of use.

python tests/bench/commands.py            the case table, 500 crashes, 6 kills, an hour of use: about two minutes
python tests/bench/commands.py --full     the same with 30 kills and a day of use
"""

from __future__ import annotations

import argparse
import asyncio
import os
import subprocess
import sys
import tempfile
from collections import Counter
from pathlib import Path
from time import perf_counter
from typing import Final

ROOT: Final = Path(__file__).resolve().parents[2]
sys.path.insert(0, str(ROOT))

from tests.bench.rows import Figure, heading  # noqa: E402 - the folder is no installed package
from tests.wire.wire_guard import FOLDER, WireGuard, install, rows  # noqa: E402

CRASHES: Final = 500
KILLS: Final = 6
KILLS_FULL: Final = 30
USE_SPEED: Final = 600
REPORT: Final = Path(tempfile.mkdtemp(prefix="plantview-commands-")) / "wire.jsonl"
SHM: Final = Path("/dev/shm")  # noqa: S108 - memory, where it is there
FAST: Final = str(SHM) if SHM.is_dir() else None
LOADED: Final = (
    "import sys, plantview.service.__main__, plantview.web.__main__, plantview.cli; "
    "print([name for name in sys.modules if name.startswith('plantview.commands') or name.endswith('_write')])"
)


async def case_table() -> list[Figure]:
    """Run every case at every place; a case counts if it comes out right and its frames are as many as it says."""
    from tests.interop.command_cases import CASES
    from tests.interop.command_places import PLACES, place

    figures = []
    at = 0
    for name in PLACES:
        right, frames, expected_frames, wrong = 0, 0, 0, []
        for number, case in CASES.items():
            with tempfile.TemporaryDirectory(dir=FAST) as folder:
                try:
                    async with place(name, Path(folder)) as there:
                        expected = await case(there)
                except AssertionError as differs:
                    expected = -1
                    wrong.append(f"case {number}: {differs}")
            told, at = rows(REPORT, at)
            sent = sum(row["kind"] == "write" for row in told)
            frames, expected_frames = frames + sent, expected_frames + max(expected, 0)
            if expected >= 0 and sent != expected:
                wrong.append(f"case {number}: {sent} write frames where {expected} must be")
            right += expected == sent
        for line in wrong:
            print(f"  {name}, {line}")
        figures.append(
            Figure(
                f"cases, {name}",
                f"{right} of {len(CASES)}",
                f"{frames} write frames, {expected_frames} expected",
                "all",
                right == len(CASES),
            )
        )
    return figures


async def crashes() -> list[Figure]:
    """Crash at borders drawn by seeds 0 to 499."""
    from tests.faults.command_crash import one_crash

    wrong, borders = [], Counter[str]()
    for seed in range(CRASHES):
        with tempfile.TemporaryDirectory(dir=FAST) as folder:
            outcome = await one_crash(Path(folder), seed)
        borders[outcome.border.split()[0]] += 1
        if outcome.wrong:
            wrong.append(seed)
            print(f"  seed {seed}, crash {outcome.border}: {outcome.wrong}")
    spread = ", ".join(f"{name} {count}" for name, count in sorted(borders.items()))
    return [
        Figure(
            f"crashes at drawn borders, seeds 0 to {CRASHES - 1}", f"{len(wrong)} wrong", spread, "0 wrong", not wrong
        )
    ]


async def kills(count: int) -> list[Figure]:
    """Kill a commanding process by signal 9 at drawn moments."""
    from tests.faults.command_kill import one_kill

    wrong, writes = [], 0
    began = perf_counter()
    for seed in range(count):
        killed = await one_kill(seed)
        writes += killed.writes
        if killed.wrong:
            wrong.append(seed)
            print(f"  seed {seed}, killed after {killed.after_s:.2f} s: {killed.wrong}")
    took = f"{writes} writes arrived, {perf_counter() - began:.0f} s"
    return [Figure(f"kills by signal 9, seeds 0 to {count - 1}", f"{len(wrong)} wrong", took, "0 wrong", not wrong)]


def defaults() -> list[Figure]:
    """Load everything that the processes load, and look for what can write."""
    done = subprocess.run([sys.executable, "-c", LOADED], capture_output=True, text=True, check=True, cwd=ROOT)
    found = done.stdout.strip()
    return [Figure("modules that can write, loaded by default", found, "field, web and terminal", "[]", found == "[]")]


def ordinary_use(hours: float) -> list[Figure]:
    """Use the demo with its defaults, and count what its devices are asked at their sockets."""
    from tests.day_of_use import COV, use

    os.environ["PYTHONPATH"] = str(FOLDER)
    with tempfile.TemporaryDirectory() as folder:
        found = use(Path(folder), hours, USE_SPEED)
    asked = sum(found.heard.values())
    span = f"{found.hours:.1f} h of plant time, {asked} requests"
    loaded = {role: names for role, names in found.loaded.items() if names}
    changing = sum(found.writes.values())
    return [
        Figure("write frames at the devices' sockets", str(changing), span, "0", not changing and asked > 0),
        Figure("subscriptions to changes (COV)", str(found.heard[COV]), "none is configured", "0", not found.heard[COV]),
        Figure(
            "processes in use with a module that can write", str(len(loaded)), ", ".join(sorted(found.loaded)), "0",
            not loaded and {"field", "web"} <= found.loaded.keys(),
        ),
    ]  # fmt: skip


async def audit_cost() -> list[Figure]:
    """Append and verify, on the disk of the temporary folder."""
    from plantview.audit import AuditBook, verify
    from plantview.clock import SystemClock
    from tests.unit.command_rig import TECH

    with tempfile.TemporaryDirectory() as folder:
        audit = AuditBook(Path(folder), SystemClock())
        took = []
        for number in range(400):
            began = perf_counter()
            audit.append("commit", TECH, point="CH-1.setpoint", requested=44.0 + number, reason="night setback")
            took.append(perf_counter() - began)
        began = perf_counter()
        verdict = verify(Path(folder), Path(folder) / "audit-anchor")
        per_line_us = (perf_counter() - began) / verdict.lines * 1e6
    median_ms = sorted(took)[200] * 1e3
    return [
        Figure(
            "audit line on disk, median",
            f"{median_ms:.2f} ms",
            "400 lines, each with fsync",
            "≤ 20 ms",
            median_ms <= 20.0,
        ),
        Figure(
            "audit verified, per line",
            f"{per_line_us:.0f} µs",
            f"{verdict.lines} lines",
            "≤ 100 µs",
            verdict.holds and per_line_us <= 100.0,
        ),
    ]


async def measured(count: int) -> list[Figure]:
    """Return all figures but those of ordinary use, the case table first."""
    return [*await case_table(), *await crashes(), *await kills(count), *defaults(), *await audit_cost()]


def main() -> int:
    """Print one row per figure."""
    options = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    options.add_argument("--full", action="store_true", help=f"{KILLS_FULL} kills, a day of use")
    asked = options.parse_args()
    install(WireGuard(REPORT))
    figures = asyncio.run(measured(KILLS_FULL if asked.full else KILLS))
    figures += ordinary_use(24.0 if asked.full else 1.0)
    print(heading())
    for figure in figures:
        print(figure)
    return 0 if all(figure.met for figure in figures) else 1


if __name__ == "__main__":
    sys.exit(main())
