"""Crashes at drawn borders: nothing forgotten, nothing released twice, nothing taken from another writer, the audit holds.

500 of them run in ``tests/bench/commands.py``; here is a sample whose seeds are fixed.
"""

from __future__ import annotations

import tempfile
from collections import Counter
from pathlib import Path

import pytest

from tests.faults import command_crash
from tests.faults.command_crash import one_crash

SHM = Path("/dev/shm")  # noqa: S108 - memory, where it is there
FAST = str(SHM) if SHM.is_dir() else None
"""A crash of the process is no power cut: memory serves, and spares the disk of whoever runs this."""
SEEDS = range(1_000, 1_120)


async def outcome(seed: int) -> command_crash.Outcome:
    with tempfile.TemporaryDirectory(dir=FAST) as folder:
        return await one_crash(Path(folder), seed)


async def test_after_a_crash_anywhere_every_override_is_accounted_for() -> None:
    outcomes = [await outcome(seed) for seed in SEEDS]
    assert [(one.seed, one.border, one.wrong) for one in outcomes if one.wrong] == []
    borders = Counter(one.border.split()[0] for one in outcomes)
    assert set(borders) >= {"before", "after", "put", "look"}, "crashes came at every kind of border"


async def test_a_memory_that_forgets_would_be_noticed(monkeypatch: pytest.MonkeyPatch) -> None:
    from plantview.commands.ledger import Ledger

    monkeypatch.setattr(Ledger, "note", lambda _self, _override: None)
    outcomes = [await outcome(seed) for seed in range(1_000, 1_030)]
    assert any("forgotten" in wrong for one in outcomes for wrong in one.wrong)
