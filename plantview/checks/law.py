"""One thing that must hold between sensors while a machine runs, and how far a stretch of readings keeps to it."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Final

import numpy as np

from plantview.checks.window import Window
from plantview.model.columns import Flags, Floats

ROWS_MIN: Final = 10
"""Moments with everything read below which a law says nothing (our own choice)."""
BROKEN_SHARE: Final = 0.8
"""Of those moments, above which a law does not hold (our own choice): a start or a change of load breaks fewer."""
FAR: Final = 10.0
"""Misfit of numbers to which a formula has no answer, and the most that one law counts."""

Range = tuple[Floats | float, Floats | float]


@dataclass(frozen=True, slots=True)
class Law:
    """``value`` must stay within ``range`` wherever ``holds`` says that it can be asked."""

    name: str
    words: str
    """What is looked at: ``CH-1 cooling load + power less heat rejection``."""
    quantity: str
    sensors: tuple[str, ...]
    value: Callable[[Window], Floats]
    range: Callable[[Window], Range]
    holds: Callable[[Window], Flags]
    expected: float | None = None
    """The most likely value, where it is not the middle of the range."""
    near: float = 1.0
    """Misfit below which it closes: small where a right sensor leaves next to nothing over."""
    worn: bool = False
    """A worn or fouled machine breaks its upper end too, so that this alone says nothing about a sensor."""

    def judge(self, window: Window) -> Kept:
        """Return how the law is kept over a stretch."""
        read = np.logical_and.reduce([np.isfinite(window.of(name)) for name in self.sensors])
        asked = read & self.holds(window)
        rows = int(asked.sum())
        if rows < ROWS_MIN:
            return Kept(self, rows)
        with np.errstate(all="ignore"):
            value = np.broadcast_to(self.value(window), read.shape)[asked]
            low, high = (np.broadcast_to(each, read.shape)[asked] for each in self.range(window))
        outside = ~((value >= low) & (value <= high))
        half = np.maximum((high - low) / 2, 1e-9)
        middle = (low + high) / 2 if self.expected is None else self.expected
        misfit = np.where(np.isfinite(value), np.abs(value - middle) / half, FAR)
        centre = float(np.nanmedian(value)) if np.isfinite(value).any() else None
        return Kept(
            self, rows, float(outside.mean()), float(np.median(np.minimum(misfit, FAR))), centre,
            (float(np.median(low)), float(np.median(high))),
        )  # fmt: skip


@dataclass(frozen=True, slots=True)
class Kept:
    """How one law was kept: over how many moments, in what share of them it was broken, and by what number."""

    law: Law
    rows: int
    broken: float = 0.0
    misfit: float = 0.0
    value: float | None = None
    """Median; None where the formula has no answer."""
    range: tuple[float, float] = (np.nan, np.nan)

    @property
    def judged(self) -> bool:
        """Return whether there was enough to say something."""
        return self.rows >= ROWS_MIN

    @property
    def fails(self) -> bool:
        """Return whether the law is plainly broken."""
        return self.judged and self.broken > BROKEN_SHARE

    @property
    def closes(self) -> bool:
        """Return whether the law is plainly kept."""
        return self.judged and self.broken < 1 - BROKEN_SHARE and self.misfit <= self.law.near

    @property
    def tells(self) -> bool:
        """Return whether the law is broken in a way that no worn machine explains."""
        high = self.value is not None and self.value > self.range[1]
        return self.fails and not (self.law.worn and high)


def settled(running: Flags, rows: int) -> Flags:
    """Return where something has been true for the last ``rows`` moments too."""
    if rows >= running.size:
        return np.zeros(running.size, bool)
    total = np.concatenate(([0], np.cumsum(running)))
    found = np.zeros(running.size, bool)
    found[rows:] = (total[rows + 1 :] - total[: -rows - 1]) == rows + 1
    return found
