"""A process that is killed, or a computer that loses power, loses nothing that was acknowledged."""

from __future__ import annotations

from pathlib import Path

import pytest

from tests.faults.history_crash import killed


@pytest.mark.timeout(120)
def test_five_kills_while_writing_lose_nothing_that_was_acknowledged(tmp_path: Path) -> None:
    outcome = killed(tmp_path, 5, seed=20)
    assert outcome.acknowledged > 10_000
    assert outcome.sealed >= 3, "no run came as far as a month file"
    assert (outcome.lost, outcome.wrong, outcome.damaged, outcome.unopened) == (0, 0, 0, 0)


@pytest.mark.long
@pytest.mark.timeout(1_200)
def test_a_hundred_kills_while_writing_lose_nothing_that_was_acknowledged(tmp_path: Path) -> None:
    outcome = killed(tmp_path, 100, seed=21)
    assert (outcome.lost, outcome.wrong, outcome.damaged, outcome.unopened) == (0, 0, 0, 0)
