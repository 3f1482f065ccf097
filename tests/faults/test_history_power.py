"""A power cut at any moment loses nothing that was acknowledged; the same replay finds a store that does not wait."""

from __future__ import annotations

import shutil
from pathlib import Path

import pytest

from tests.faults.history_power import cut

pytestmark = pytest.mark.skipif(shutil.which("strace") is None, reason="records system calls with strace")


@pytest.mark.timeout(120)
def test_ten_power_cuts_lose_nothing_that_was_acknowledged(tmp_path: Path) -> None:
    outcome = cut(tmp_path, 10, seed=5)
    assert outcome.acknowledged > 100
    assert outcome.sealed >= 2, "no cut came after a month file was begun"
    assert (outcome.lost, outcome.wrong, outcome.damaged, outcome.unopened) == (0, 0, 0, 0)


@pytest.mark.timeout(120)
def test_the_replay_finds_losses_where_nobody_waits_for_the_disk(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The same run without the syncs of the live file's log: were nothing lost then, the check could not fail."""
    from tests.faults import history_power

    recorded = history_power.record

    def without_waiting(folder: Path, commits: int) -> list[history_power.Act]:
        acts = recorded(folder, commits)
        logs = {act.file for act in acts if act.kind == "create" and act.name.endswith("live.db-wal")}
        assert logs
        return [act for act in acts if not (act.kind == "sync" and act.file in logs)]

    monkeypatch.setattr(history_power, "record", without_waiting)
    outcome = cut(tmp_path, 6, seed=6, commits=40)
    assert outcome.lost + outcome.damaged + outcome.unopened > 0


@pytest.mark.long
@pytest.mark.timeout(1_200)
def test_a_hundred_and_fifty_power_cuts_lose_nothing_that_was_acknowledged(tmp_path: Path) -> None:
    outcome = cut(tmp_path, 150, seed=7)
    assert (outcome.lost, outcome.wrong, outcome.damaged, outcome.unopened) == (0, 0, 0, 0)
