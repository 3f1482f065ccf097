"""Samples and buckets of one signal laid over the columns of a picture, all signals over the same ones.

Nothing is drawn that was not read, and nothing that was read vanishes: each column keeps the lowest and the
highest number in it, and its worst quality. A column in which nothing was read, between two that have a
number, is not a gap; a stretch that the history calls a gap is.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

from plantview.history import Buckets, Samples
from plantview.history.samples import RAW
from plantview.model.quality import Quality

ARRAYS: Final = ("start_ms", "end_ms", "min", "max", "first", "last", "mean", "count", "worst_quality")
"""What rows of both parts have."""
GAP: Final = 4
NOTHING: Final = 5
"""Beyond the four qualities: known to be without a value; and no sample fell here."""
GAP_AFTER_PERIODS: Final = 3.5


@dataclass(frozen=True, slots=True)
class Columns:
    """One signal over the columns; NaN where ``quality`` is GAP or NOTHING."""

    low: NDArray[np.float64]
    high: NDArray[np.float64]
    mid: NDArray[np.float64]
    """The mean; of a state the last one."""
    quality: NDArray[np.uint8]


def rows_of_samples(samples: Samples, period_s: float, until_ms: int) -> Buckets:
    """Return samples as rows; a BAD one is a gap until the next, a silence of several periods is one too."""
    if not len(samples.at_ms):
        return nothing()
    at_ms, values = samples.at_ms, samples.values
    known = (samples.quality < Quality.BAD) & ~np.isnan(values)
    following = np.append(at_ms[1:], max(until_ms, int(at_ms[-1]) + 1))
    longest = int(GAP_AFTER_PERIODS * period_s * 1_000)
    silent = following - at_ms > longest
    silent[-1] = False
    end_ms = np.where(known, at_ms + 1, following)
    single = _rows(at_ms, end_ms, values, known.astype(np.int64), samples.quality)
    if not silent.any():
        return single
    return joined([single, _gaps(at_ms[silent] + longest, following[silent])])


def gap_between(older: Buckets, newer: Buckets, period_s: float) -> Buckets:
    """Return the gap between two parts of the past; none where they touch."""
    if not len(older.end_ms) or not len(newer.start_ms):
        return nothing()
    end, start = int(older.end_ms.max()), int(newer.start_ms[0])
    touching = start - end <= GAP_AFTER_PERIODS * period_s * 1_000
    return nothing() if touching else _gaps(np.array([end], np.int64), np.array([start], np.int64))


def _gaps(start_ms: NDArray[np.int64], end_ms: NDArray[np.int64]) -> Buckets:
    void, none = np.full(len(start_ms), np.nan), np.zeros(len(start_ms), np.int64)
    return _rows(start_ms, end_ms, void, none, np.full(len(start_ms), Quality.BAD, np.uint8))


def nothing() -> Buckets:
    """Return no rows."""
    times, numbers = np.empty(0, np.int64), np.empty(0)
    return _rows(times, times, numbers, times, np.empty(0, np.uint8))


def _rows(
    start_ms: NDArray[np.int64],
    end_ms: NDArray[np.int64],
    values: NDArray[np.float64],
    count: NDArray[np.int64],
    quality: NDArray[np.uint8],
) -> Buckets:
    """Return rows of a single number each."""
    return Buckets(start_ms, end_ms, values, values, values, values, values, count, quality, RAW)


def joined(parts: Sequence[Buckets]) -> Buckets:
    """Return the rows of several parts, oldest first."""
    whole: dict[str, Any] = {name: np.concatenate([getattr(part, name) for part in parts]) for name in ARRAYS}
    order = np.argsort(whole["start_ms"], kind="stable")
    return Buckets(**{name: each[order] for name, each in whole.items()}, resolution=RAW)


def columns(rows: Buckets, from_ms: int, to_ms: int, width: int, *, state: bool) -> Columns:
    """Return ``width`` columns from ``from_ms`` to ``to_ms``."""
    inside = (rows.start_ms < to_ms) & (rows.end_ms > from_ms)
    step_ms = (to_ms - from_ms) / width
    low, high, mid = (np.full(width, np.nan) for _ in range(3))
    quality = np.full(width, NOTHING, np.uint8)
    for start, end in zip(
        rows.start_ms[inside & (rows.count == 0)], rows.end_ms[inside & (rows.count == 0)], strict=True
    ):
        first = max(0, int((start - from_ms) // step_ms))
        quality[first : max(first + 1, int((end - 1 - from_ms) // step_ms) + 1)] = GAP
    full = np.flatnonzero(inside & (rows.count > 0) & (rows.start_ms >= from_ms))
    if not len(full):
        return Columns(low, high, mid, quality)
    place = np.minimum(((rows.start_ms[full] - from_ms) / step_ms).astype(np.int64), width - 1)
    edges = np.flatnonzero(np.diff(place, prepend=-1))
    cells = place[edges]
    low[cells] = np.minimum.reduceat(rows.min[full], edges)
    high[cells] = np.maximum.reduceat(rows.max[full], edges)
    ends = np.append(edges[1:], len(full)) - 1
    weight = rows.count[full].astype(np.float64)
    means = np.add.reduceat(rows.mean[full] * weight, edges) / np.add.reduceat(weight, edges)
    mid[cells] = rows.last[full][ends] if state else means
    worst = np.maximum.reduceat(rows.worst_quality[full], edges)
    # a short gap inside a column that has numbers does not break the line, but the column says so
    quality[cells] = np.where(quality[cells] == GAP, np.maximum(worst, Quality.BAD), worst)
    return Columns(low, high, mid, quality)


def middles_s(from_ms: int, to_ms: int, width: int) -> NDArray[np.uint32]:
    """Return the middle of every column in seconds since 1970."""
    step_ms = (to_ms - from_ms) / width
    return ((from_ms + (np.arange(width) + 0.5) * step_ms) / 1_000).astype(np.uint32)
