"""What a history gives back: samples as read, or samples reduced to buckets; and reports of what was done."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from plantview.model.signal import Signal
from plantview.units import Unit, UnknownUnit, unit

RAW = "raw"
FIVE_MIN = "5 min"
ONE_HOUR = "1 h"
REGISTERS = frozenset({"energy", "volume", "hours", "count"})
"""Quantities that only count up; the difference means something, and a fall is a reset or another meter."""


@dataclass(frozen=True, slots=True)
class Samples:
    """What was read of one signal over a while; all arrays have the same length, oldest first."""

    at_ms: NDArray[np.int64]
    values: NDArray[np.float64]
    """As reported; NaN where BAD."""
    quality: NDArray[np.uint8]
    reasons: tuple[str, ...]

    @classmethod
    def none(cls) -> Samples:
        """Return no samples."""
        return cls(np.empty(0, np.int64), np.empty(0), np.empty(0, np.uint8), ())


@dataclass(frozen=True, slots=True)
class Buckets:
    """Samples of one signal reduced to at most so many buckets, oldest first, never overlapping.

    A row with ``count == 0`` is a gap: from ``start_ms`` to ``end_ms`` there was nothing, or
    nothing but BAD samples; its numbers are NaN and its quality is BAD. A line must break there.
    """

    start_ms: NDArray[np.int64]
    end_ms: NDArray[np.int64]
    """Exclusive. A row that is one single sample ends one millisecond after it starts."""
    min: NDArray[np.float64]
    max: NDArray[np.float64]
    first: NDArray[np.float64]
    last: NDArray[np.float64]
    mean: NDArray[np.float64]
    """Of the samples, not weighted by time."""
    count: NDArray[np.int64]
    """Samples with a number."""
    worst_quality: NDArray[np.uint8]
    """Of all samples, those without a number included."""
    resolution: str
    """``raw``, ``5 min`` or ``1 h``: from what the buckets were made."""
    in_state: Mapping[int, NDArray[np.float64]] = field(default_factory=dict)
    """Of a state: number -> seconds in it per row. Time that no sample vouches for is in none."""
    rise: NDArray[np.float64] = field(default_factory=lambda: np.empty(0))
    """Of a register: what it counted per row; the step over a reset is left out. Else empty."""
    resets: NDArray[np.int64] = field(default_factory=lambda: np.empty(0, np.int64))
    """Of a register: how often it fell per row (set back, rolled over or replaced). Else empty."""

    @property
    def gaps(self) -> NDArray[np.int64]:
        """Return start and end of every gap, shape (gaps, 2)."""
        empty = self.count == 0
        return np.column_stack((self.start_ms[empty], self.end_ms[empty]))


@dataclass(frozen=True, slots=True)
class Described:
    """What an archive knows about a name, without any plant description."""

    name: str
    unit: str
    quantity: str
    states: Mapping[int, str]
    label: str
    period_s: float
    derived: bool

    @classmethod
    def of(cls, signal: Signal) -> Described:
        """Return the description of a signal."""
        return cls(
            signal.name,
            signal.unit.name,
            signal.quantity,
            dict(signal.states),
            signal.label,
            signal.period_s,
            signal.derived,
        )

    def kept_in(self) -> Unit | None:
        """Return the unit of the numbers; None if this plantview does not know it."""
        try:
            return unit(self.unit, self.quantity)
        except (UnknownUnit, KeyError):
            return None


@dataclass(frozen=True, slots=True)
class Report:
    """What was done, counted by kind, and what was wrong in the crew's words."""

    counts: Mapping[str, int]
    """``taken``, ``refused``, ``chunks``, ``damaged``, ``months``, ``bytes``… as the act has them."""
    problems: tuple[str, ...] = ()

    @property
    def ok(self) -> bool:
        """Return whether nothing was wrong."""
        return not self.problems
