"""Many samples to few buckets, without hiding anything: extremes stay, gaps stay, the worst quality stays.

The same function reduces raw samples to 5 minutes, and summaries further to what a screen
can show. NumPy's ``reduceat`` does it; nothing is interpolated.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

from plantview.history.column import Column
from plantview.history.samples import REGISTERS, Described
from plantview.model.quality import Quality

HOLD_PERIODS: Final = 3
"""A state is taken to last until the next sample, but no longer than this: then nobody knows."""

Floats = NDArray[np.float64]
Counts = NDArray[np.int64]


ANALOG: Final = "analog"
STATE: Final = "state"
REGISTER: Final = "register"


@dataclass(frozen=True, slots=True)
class Rows:
    """Stretches of one signal in order of time, each summed up; arrays of one length.

    ``count`` 0: no sample with a number, the numbers are NaN. ``samples`` 0: no sample at all.
    """

    kind: str
    """``analog``, ``state`` or ``register``."""
    start_ms: NDArray[np.int64]
    min: Floats
    max: Floats
    first: Floats
    last: Floats
    mean: Floats
    count: Counts
    samples: Counts
    worst: NDArray[np.uint8]
    rise: Floats
    """Of a register: what it counted within the row."""
    resets: Counts
    """Of a register: how often it fell within the row."""
    in_state: Mapping[int, Floats] = field(default_factory=dict)
    """Of a state: number -> seconds within the row."""
    single: bool = False
    """Whether each row is one sample with a number: all five numbers are the same array."""
    flawless: bool = False
    """Known to be all GOOD, each sample with a number; False says nothing."""

    def each(self, act: Callable[[NDArray[Any]], NDArray[Any]]) -> Rows:
        """Return the same after doing one thing to every array."""
        arrays: dict[str, Any] = {name: act(getattr(self, name)) for name in ARRAYS}
        held = {state: act(seconds) for state, seconds in self.in_state.items()}
        return Rows(kind=self.kind, in_state=held, single=self.single, flawless=self.flawless, **arrays)

    def part(self, chosen: slice | NDArray[np.intp] | NDArray[np.bool_]) -> Rows:
        """Return some of the rows."""
        return self.each(lambda array: array[chosen])

    def used(self) -> Rows:
        """Return the rows that have numbers."""
        return self if self.single or self.count.all() else self.part(np.flatnonzero(self.count))


ARRAYS: Final = ("start_ms", "min", "max", "first", "last", "mean", "count", "samples", "worst", "rise", "resets")


ALIKE: Final = 20_000
"""A day at 5 s and some: what so many samples have in common is made once."""
CONSTANTS: Final[tuple[NDArray[Any], ...]] = (np.ones(ALIKE, np.int64), np.zeros(ALIKE, np.int64), np.zeros(ALIKE))
for constant in CONSTANTS:
    constant.flags.writeable = False


def kind_of(item: Described) -> str:
    """Return how a signal is summed up."""
    if item.quantity == "state":
        return STATE
    return REGISTER if item.quantity in REGISTERS else ANALOG


def single_rows(column: Column, kind: str) -> Rows:
    """Return samples with a number as rows of one sample each."""
    size, at_ms, values = column.at_ms.size, column.at_ms, column.values
    ones, zeros, nothing = (constant[:size] if size <= ALIKE else np.full(size, constant[0]) for constant in CONSTANTS)
    return Rows(
        kind, at_ms, values, values, values, values, values, ones, ones, column.quality, nothing, zeros, {}, single=True,
        flawless=column.flawless,
    )  # fmt: skip


def rows_of(column: Column, edges: NDArray[np.int64], kind: str, period_ms: float, *, inner: bool = True) -> Rows:
    """Return samples summed up between edges; samples outside are left out.

    With ``inner`` what a register counted between two buckets is in none of them: rows that are
    reduced further find it in ``first`` and ``last``.
    """
    column = column.between(int(edges[0]), int(edges[-1]))
    good = column if column.flawless or not column.quality.any() else column.part(column.quality != Quality.BAD)
    summed = reduced(single_rows(good, kind), edges, inner=inner)
    if kind == STATE:
        summed = replace(summed, in_state=time_in_state(column, edges, period_ms))
    if good is column:
        return summed
    bucket = np.searchsorted(edges, column.at_ms, side="right") - 1
    samples = np.bincount(bucket, minlength=summed.samples.size).astype(np.int64)
    worst = np.zeros(summed.samples.size, np.uint8)
    np.maximum.at(worst, bucket, column.quality)
    return replace(summed, samples=samples, worst=worst)


def reduced(rows: Rows, edges: NDArray[np.int64], *, inner: bool = False) -> Rows:
    """Return rows reduced to the buckets between edges; ``inner`` leaves out the step into a bucket's first row."""
    buckets = edges.size - 1
    if rows.start_ms.size and (rows.start_ms[0] < edges[0] or rows.start_ms[-1] >= edges[-1]):
        rows = rows.part(slice(*np.searchsorted(rows.start_ms, (edges[0], edges[-1])).tolist()))
    used = rows.used()
    at, full = _parts(used.start_ms, edges)
    low, high, first, last, mean = np.full((5, buckets), np.nan)
    count = np.zeros(buckets, np.int64)
    if at.size:
        ends = np.append(at[1:], used.start_ms.size) - 1
        low[full] = np.minimum.reduceat(used.min, at)
        high[full] = np.maximum.reduceat(used.max, at)
        first[full], last[full] = used.first[at], used.last[ends]
        count[full] = ends - at + 1 if used.single else np.add.reduceat(used.count, at)
        sums = np.add.reduceat(used.mean if used.single else used.mean * used.count, at)
        mean[full] = np.clip(sums / count[full], low[full], high[full])
    rise, resets = _counted(used, edges, at, inner=inner)
    samples, worst = (count, np.zeros(buckets, np.uint8)) if rows.flawless else _all(rows, edges)
    held = {state: _summed(rows.start_ms, seconds, edges) for state, seconds in rows.in_state.items()}
    return Rows(rows.kind, edges[:-1], low, high, first, last, mean, count, samples, worst, rise, resets, held)


def _all(rows: Rows, edges: NDArray[np.int64]) -> tuple[Counts, NDArray[np.uint8]]:
    """Return samples and worst quality per bucket, rows without a number included."""
    at, full = _parts(rows.start_ms, edges)
    samples, worst = np.zeros(edges.size - 1, np.int64), np.zeros(edges.size - 1, np.uint8)
    if at.size:
        samples[full] = np.diff(np.append(at, rows.start_ms.size)) if rows.single else np.add.reduceat(rows.samples, at)
        worst[full] = np.maximum.reduceat(rows.worst, at) if rows.worst.any() else 0
    return samples, worst


def _parts(start: NDArray[np.int64], edges: NDArray[np.int64]) -> tuple[NDArray[np.intp], NDArray[np.intp]]:
    """Return where each bucket that is not empty begins in ``start``, and which buckets these are."""
    cuts = np.searchsorted(start, edges)
    full = np.flatnonzero(cuts[1:] > cuts[:-1])
    return cuts[full], full


def _summed(start: NDArray[np.int64], amounts: Floats, edges: NDArray[np.int64]) -> Floats:
    at, full = _parts(start, edges)
    out = np.zeros(edges.size - 1)
    if at.size:
        out[full] = np.add.reduceat(amounts, at)
    return out


def _counted(used: Rows, edges: NDArray[np.int64], at: NDArray[np.intp], *, inner: bool) -> tuple[Floats, Counts]:
    """Return what a register counted per bucket, and how often it fell; the step over a fall is unknown, so left out."""
    buckets = edges.size - 1
    if used.kind != REGISTER or not used.start_ms.size:
        return np.zeros(buckets), np.zeros(buckets, np.int64)
    steps = np.concatenate(([0.0], used.first[1:] - used.last[:-1]))
    if inner:
        steps[at] = 0.0
    fell = steps < 0
    rise = _summed(used.start_ms, used.rise + np.where(fell, 0.0, steps), edges)
    return rise, _summed(used.start_ms, (used.resets + fell).astype(np.float64), edges).astype(np.int64)


def time_in_state(column: Column, edges: NDArray[np.int64], period_ms: float) -> dict[int, Floats]:
    """Return the seconds that each state stood per bucket; a state holds until the next sample, at most 3 periods."""
    if not column.at_ms.size:
        return {}
    lengths = np.append(np.diff(column.at_ms), round(period_ms)).astype(np.float64)
    usual = max(period_ms, float(np.median(lengths)))
    lengths[lengths > HOLD_PERIODS * usual] = usual  # nobody looked: known for one period only
    known = column.quality != Quality.BAD
    held: dict[int, Floats] = {}
    numbers = np.where(known, column.values, 0.0)
    for state in np.unique(numbers[known]).tolist():
        here = known & (numbers == state)
        starts, spans = column.at_ms[here], lengths[here]
        before = np.concatenate(([0.0], np.cumsum(spans)))
        place = np.searchsorted(starts, edges, side="right") - 1
        inside = np.minimum(edges - starts[place], spans[place])
        reached = np.where(place < 0, 0.0, before[place] + inside)
        held[round(state)] = held.get(round(state), 0.0) + np.diff(reached) / 1_000.0
    return held


def concatenated(parts: Sequence[Rows]) -> Rows:
    """Return rows one after the other."""
    if len(parts) == 1:
        return parts[0]
    states = {state for part in parts for state in part.in_state}
    arrays: dict[str, Any] = {name: np.concatenate([getattr(part, name) for part in parts]) for name in ARRAYS}
    held = {
        state: np.concatenate([part.in_state.get(state, np.zeros(part.start_ms.size)) for part in parts])
        for state in sorted(states)
    }
    flawless = all(part.flawless for part in parts)
    return Rows(kind=parts[0].kind, in_state=held, flawless=flawless, **arrays)


def in_order(rows: Rows) -> Rows:
    """Return rows sorted by time; those of one time stay in the order given."""
    if rows.start_ms.size < 2 or np.all(np.diff(rows.start_ms) > 0):
        return rows
    return rows.part(np.argsort(rows.start_ms, kind="stable"))
