"""From samples or summaries to what a screen can show: at most so many buckets, and the gaps between them."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

from plantview.history.chunks import HOUR_MS, STEPS_MS
from plantview.history.column import Column, disjoint, stitched
from plantview.history.reduce import (
    REGISTER,
    STATE,
    Rows,
    concatenated,
    kind_of,
    reduced,
    rows_of,
    single_rows,
    time_in_state,
)
from plantview.history.samples import FIVE_MIN, ONE_HOUR, RAW, Buckets, Described
from plantview.model.quality import Quality

GAP_PERIODS: Final = 3
STEPS_LOOKED_AT: Final = 1_000
WIDTH_MAX: Final = 20_000
STEP_OF: Final = {RAW: 0, FIVE_MIN: STEPS_MS[0], ONE_HOUR: HOUR_MS}
NAME_OF: Final = {step: name for name, step in STEP_OF.items()}


@dataclass(frozen=True, slots=True)
class Wanted:
    """A stretch, the width of its buckets and what they are to be made from."""

    from_ms: int
    to_ms: int
    width: int
    step_ms: int
    """Of the summaries to be used; 0 for raw samples."""

    @classmethod
    def of(cls, from_ms: int, to_ms: int, width: int, resolution: str | None = None) -> Wanted:
        """Return what suits a screen ``width`` pixels wide; ValueError for a stretch or width that cannot be."""
        if not 0 <= from_ms < to_ms:
            raise ValueError(f"from {from_ms} ms to {to_ms} ms is no stretch of time")
        if not 1 <= width <= WIDTH_MAX:
            raise ValueError(f"a width must be between 1 and {WIDTH_MAX}, got {width}")
        if resolution is not None:
            return cls(from_ms, to_ms, width, STEP_OF[resolution])
        bucket = _bucket_ms(from_ms, to_ms, width)
        return cls(from_ms, to_ms, width, max((step for step in STEPS_MS if step <= bucket), default=0))

    @property
    def edges(self) -> NDArray[np.int64]:
        """Return where buckets begin and the last one ends: whole multiples of their width, so that panning is calm."""
        bucket = _bucket_ms(self.from_ms, self.to_ms, self.width)
        if self.step_ms:
            bucket = -(-bucket // self.step_ms) * self.step_ms
        first = self.from_ms - self.from_ms % bucket
        return np.arange(first, self.to_ms + bucket, bucket, dtype=np.int64)


def _bucket_ms(from_ms: int, to_ms: int, width: int) -> int:
    """Return a bucket's width: the first and the last may stand over the ends of the stretch."""
    return -(-(to_ms - from_ms) // max(1, width - 1))


def from_columns(columns: Sequence[Column], item: Described, wanted: Wanted) -> Buckets:
    """Return columns of raw samples as buckets, one after the other: many days at once would leave the processor's caches."""
    ordered, edges = disjoint(columns), wanted.edges
    if ordered is None or sum(column.at_ms.size for column in columns) <= wanted.width:
        return from_column(stitched(columns), item, wanted)
    period_ms = max(_period_ms(column.at_ms, item) for column in ordered[-1:] + ordered[:1])
    parts = []
    for column in ordered:
        first = int(np.searchsorted(edges, column.at_ms[0], side="right")) - 1
        end = int(np.searchsorted(edges, column.at_ms[-1], side="right"))
        parts.append(rows_of(column, edges[first : end + 1], kind_of(item), period_ms))
    return from_rows(concatenated(parts), wanted, GAP_PERIODS * period_ms)


def from_column(column: Column, item: Described, wanted: Wanted) -> Buckets:
    """Return raw samples as buckets, or each as a row of its own where they are no more than the width."""
    period_ms = _period_ms(column.at_ms, item)
    limit = GAP_PERIODS * period_ms
    if column.at_ms.size > wanted.width:
        rows = rows_of(column, wanted.edges, kind_of(item), period_ms, inner=False)
        return from_rows(rows, wanted, limit, dense=True)
    good = column.part(column.quality != Quality.BAD)
    rows = single_rows(good, kind_of(item))
    edges = np.append(good.at_ms, min(wanted.to_ms, int(good.at_ms[-1] + period_ms))) if good.at_ms.size else good.at_ms
    if rows.kind == STATE and good.at_ms.size:
        rows = replace(rows, in_state=time_in_state(column, edges, period_ms))
    elif rows.kind == REGISTER:
        steps = np.diff(good.values, prepend=good.values[:1])
        rows = replace(rows, rise=np.maximum(steps, 0.0), resets=(steps < 0).astype(np.int64))
    ends = rows.start_ms + 1
    borders = np.concatenate(([wanted.from_ms], good.at_ms, [wanted.to_ms]))
    bad = column.at_ms[column.quality == Quality.BAD]
    between = np.searchsorted(bad, borders[1:]) > np.searchsorted(bad, borders[:-1])
    gap = np.flatnonzero(between | (np.diff(borders) > limit))
    starts = np.where(gap > 0, borders[gap] + 1, borders[gap])
    return _assembled(rows, ends, starts, borders[gap + 1], wanted)


def from_rows(rows: Rows, wanted: Wanted, limit_ms: float, *, dense: bool = False) -> Buckets:
    """Return rows as buckets; ``dense``: they are reduced to the wanted edges already."""
    edges = wanted.edges
    rows = rows if dense else reduced(rows, edges)
    empty = rows.count == 0
    if not empty.any():
        return _assembled(rows, edges[1:], edges[:0], edges[:0], wanted)
    turns = np.diff(np.concatenate(([False], empty, [False])).astype(np.int8))
    first, end = np.flatnonzero(turns == 1), np.flatnonzero(turns == -1)
    seen = np.concatenate(([0], np.cumsum(rows.samples)))
    real = (seen[end] > seen[first]) | (edges[end] - edges[first] > limit_ms)
    keep = np.flatnonzero(~empty)
    return _assembled(rows.part(keep), edges[keep + 1], edges[first[real]], edges[end[real]], wanted)


def _period_ms(at_ms: NDArray[np.int64], item: Described) -> float:
    """Return the usual time between samples, at least the period of polling."""
    if at_ms.size < 2:
        return item.period_s * 1_000
    some = np.arange(0, at_ms.size - 1, 1 + at_ms.size // STEPS_LOOKED_AT)
    return max(item.period_s * 1_000, float(np.median(at_ms[some + 1] - at_ms[some])))


def _assembled(
    rows: Rows, ends: NDArray[np.int64], gap_starts: NDArray[np.int64], gap_ends: NDArray[np.int64], wanted: Wanted
) -> Buckets:
    """Return rows with numbers and gaps in one order of time, cut to the stretch."""
    gaps, counter = gap_starts.size, rows.kind == REGISTER
    order = np.argsort(np.concatenate((rows.start_ms, gap_starts)), kind="stable") if gaps else None

    def among(array: NDArray[Any], in_gap: NDArray[Any] | float) -> NDArray[Any]:
        """Return an array with what stands in gaps in its place."""
        if order is None:
            return array
        filling = in_gap if isinstance(in_gap, np.ndarray) else np.full(gaps, in_gap)
        return np.concatenate((array, filling.astype(array.dtype)))[order]

    numbers: dict[str, Any] = {
        name: among(getattr(rows, name), np.nan) for name in ("min", "max", "first", "last", "mean")
    }
    return Buckets(
        start_ms=np.maximum(among(rows.start_ms, gap_starts), wanted.from_ms),
        end_ms=np.minimum(among(ends, gap_ends), wanted.to_ms),
        count=among(rows.count, 0),
        worst_quality=among(rows.worst, Quality.BAD),
        resolution=NAME_OF[wanted.step_ms],
        in_state={state: among(seconds, 0.0) for state, seconds in rows.in_state.items()},
        rise=among(rows.rise, 0.0) if counter else np.empty(0),
        resets=among(rows.resets, 0) if counter else np.empty(0, np.int64),
        **numbers,
    )
