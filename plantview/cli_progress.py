"""How far a long piece of work is, on the error stream: a bar on a terminal, a line per tenth elsewhere."""

from __future__ import annotations

import sys
from typing import Final

WIDTH: Final = 32


class Progress:
    """Says only what has changed, so it may be told as often as one likes."""

    def __init__(self, what: str) -> None:
        self._what = what
        self._bar = sys.stderr.isatty()
        self._step = 1 if self._bar else 10
        self._said = -1

    def __call__(self, done: int, whole: int) -> None:
        """Say that ``done`` of ``whole`` is through; with ``whole`` 0 the end is not known yet."""
        if whole <= 0:
            if self._bar:
                print(f"\r{self._what}: {done}", end="", file=sys.stderr, flush=True)
            return
        percent = min(100, 100 * done // whole) // self._step * self._step
        if percent == self._said:
            return
        self._said = percent
        if self._bar:
            full = WIDTH * percent // 100
            print(
                f"\r{self._what}: [{'#' * full}{'.' * (WIDTH - full)}] {percent:3d} %",
                end="",
                file=sys.stderr,
                flush=True,
            )
        else:
            print(f"{self._what}: {percent} %", file=sys.stderr, flush=True)

    def done(self) -> None:
        """End the line of the bar."""
        if self._bar:
            print(file=sys.stderr, flush=True)
