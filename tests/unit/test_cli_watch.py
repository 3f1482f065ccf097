"""``--watch`` over ssh: the screen is painted anew, no longer and no wider than the terminal, until the plant is gone."""

from __future__ import annotations

import os
from collections.abc import Awaitable, Callable
from pathlib import Path

import pytest

from plantview import cli
from plantview.errors import NotRunning

CLEAR = "\x1b[H\x1b[2J"
LINES, COLUMNS = 24, 80


@pytest.mark.parametrize(
    ("words", "asked"),
    [
        (["values", "orchard", "CH-1"], "ask_values"),
        (["alarms", "orchard"], "ask_alarms"),
        (["devices", "orchard"], "ask_devices"),
    ],
)
def test_what_is_watched_is_painted_anew_within_the_screen_and_ends_with_the_plant(
    words: list[str], asked: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    turns = 0

    async def lines(*_given: object) -> list[str]:
        nonlocal turns
        turns += 1
        if turns == 3:
            raise NotRunning("nobody answers")
        return [f"turn {turns} line {number}".ljust(COLUMNS, ".") for number in range(100)]

    ask: Callable[..., Awaitable[list[str]]] = lines
    monkeypatch.setattr(cli, asked, ask)
    monkeypatch.setattr(cli, "WATCH_REAL_S", 0.0)
    monkeypatch.setattr("shutil.get_terminal_size", lambda: os.terminal_size((COLUMNS, LINES)))
    assert cli.main([*words, "--watch", "--data", str(tmp_path)]) == 1
    told = capsys.readouterr()
    _, *screens = told.out.split(CLEAR)
    assert [screen.splitlines()[0][:13] for screen in screens] == ["turn 1 line 0", "turn 2 line 0"]
    for screen in screens:
        shown = screen.splitlines()
        assert len(shown) == LINES - 1, "the last line stays free: nothing scrolls"
        assert max(map(len, shown)) <= COLUMNS
    assert "nobody watches" in told.err
