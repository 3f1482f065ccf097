"""Which stored readings a model may learn from: means of five minutes in which the machine held still."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np

from plantview.model.columns import Flags, Floats, Ints

BLOCK_MS: Final = 300_000
"""Long enough for the barrels' water to pass (our own choice)."""
FULL_SHARE: Final = 0.8
"""Of the readings that a block could have; with fewer something was wrong in it."""
DAY_MS: Final = 86_400_000


@dataclass(frozen=True, slots=True)
class Drift:
    """By how much a mean may differ from that of the block before and behind it."""

    fixed: float
    share: float = 0.0
    """Of the mean itself, on top."""


@dataclass(frozen=True, slots=True)
class Blocks:
    """Means of steady blocks: one row of ``values`` per signal, one column per block."""

    at_ms: Ints
    values: Floats
    days: Ints
    """Whole days since 1970 (UTC)."""


def steady_blocks(at_ms: Ints, values: Floats, step_ms: int, drifts: Sequence[Drift]) -> Blocks:
    """Return the steady blocks of rising moments; ``values`` has one row per signal, and only sound readings.

    Steady is what differs little from its neighbours; at the rim of a gap nothing is steady.
    """
    block_ms = max(BLOCK_MS, step_ms)
    if not at_ms.size:
        return Blocks(at_ms, values, at_ms)
    numbers = at_ms // block_ms
    starts = np.flatnonzero(np.diff(numbers, prepend=numbers[0] - 1))
    count = np.diff(starts, append=at_ms.size)
    means = np.add.reduceat(values, starts, axis=1) / count
    number = numbers[starts]
    full = count >= FULL_SHARE * (block_ms // step_ms)
    kept = full & _like(number, means, drifts, 1) & _like(number, means, drifts, -1)
    when = number[kept] * block_ms
    return Blocks(when, means[:, kept], when // DAY_MS)


def _like(number: Ints, means: Floats, drifts: Sequence[Drift], side: int) -> Flags:
    """Return whether the neighbour on one side is there and much the same."""
    alike: Flags = np.roll(number, side) == number - side
    for row, drift in zip(means, drifts, strict=True):
        alike &= np.abs(np.roll(row, side) - row) <= drift.fixed + drift.share * np.abs(row)
    return alike


def held_back(days: Ints) -> Flags:
    """Return which blocks the fit does not see: those of every fifth day that has any, from the third on."""
    return np.isin(days, np.unique(days)[2::5])
