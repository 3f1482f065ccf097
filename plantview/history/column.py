"""Samples of one signal as arrays, with reasons as codes; merging, and the block that keeps them."""

from __future__ import annotations

import itertools
import struct
import zlib
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from plantview.history.codec import LEVEL, Damaged, pack, unpack
from plantview.history.samples import Samples
from plantview.model.quality import Quality

_SIZES: Final = struct.Struct("<II")
_RUN: Final = np.dtype([("length", "<u4"), ("quality", "u1"), ("reason", "<u2")])


@dataclass(frozen=True, slots=True)
class Column:
    """Times ascending and different from each other unless said otherwise; arrays of one length."""

    at_ms: NDArray[np.int64]
    values: NDArray[np.float64]
    quality: NDArray[np.uint8]
    reason: NDArray[np.uint16]
    """Codes of the file that they stand in; 0 is no reason."""
    flawless: bool = False
    """Known to be all GOOD without a reason; False says nothing."""

    @classmethod
    def none(cls) -> Column:
        """Return no samples."""
        return cls(np.empty(0, np.int64), np.empty(0), np.empty(0, np.uint8), np.empty(0, np.uint16))

    def part(self, chosen: slice | NDArray[np.bool_] | NDArray[np.intp]) -> Column:
        """Return some of the samples."""
        return Column(self.at_ms[chosen], self.values[chosen], self.quality[chosen], self.reason[chosen], self.flawless)

    def between(self, from_ms: int, to_ms: int) -> Column:
        """Return the samples with ``from_ms <= at < to_ms``."""
        if not self.at_ms.size or (from_ms <= self.at_ms[0] and self.at_ms[-1] < to_ms):
            return self
        first, end = np.searchsorted(self.at_ms, (from_ms, to_ms))
        return self if first == 0 and end == self.at_ms.size else self.part(slice(int(first), int(end)))

    def with_reasons(self, codes: NDArray[np.uint16]) -> Column:
        """Return the same with the reason codes of another file: ``codes[old] = new``."""
        return (
            self
            if self.flawless or not self.reason.any()
            else Column(self.at_ms, self.values, self.quality, codes[self.reason])
        )

    def samples(self, texts: Mapping[int, str]) -> Samples:
        """Return it as everybody else reads it."""
        words = tuple(texts[code] for code in self.reason.tolist()) if self.reason.any() else ("",) * self.at_ms.size
        return Samples(self.at_ms, self.values, self.quality, words)


def joined(columns: Sequence[Column]) -> Column:
    """Return columns one after the other, in the order given."""
    if len(columns) == 1:
        return columns[0]
    if not columns:
        return Column.none()
    return Column(
        np.concatenate([item.at_ms for item in columns]),
        np.concatenate([item.values for item in columns]),
        np.concatenate([item.quality for item in columns]),
        np.concatenate([item.reason for item in columns]),
        all(item.flawless for item in columns),
    )


def disjoint(columns: Sequence[Column]) -> list[Column] | None:
    """Return columns that are each in order of time one after the other; None if some overlap."""
    ordered = sorted((item for item in columns if item.at_ms.size), key=lambda item: int(item.at_ms[0]))
    apart = all(before.at_ms[-1] < after.at_ms[0] for before, after in itertools.pairwise(ordered))
    return ordered if apart else None


def stitched(columns: Sequence[Column]) -> Column:
    """Return columns that are each in order of time as one; what is given later counts where they overlap."""
    ordered = disjoint(columns)
    return merged(columns) if ordered is None else joined(ordered)


def merged(columns: Sequence[Column]) -> Column:
    """Return columns merged by time; of two samples at one time the one given later counts."""
    column = joined([item for item in columns if item.at_ms.size])
    if column.at_ms.size < 2 or np.all(np.diff(column.at_ms) > 0):
        return column
    order = np.argsort(column.at_ms, kind="stable")
    at_ms = column.at_ms[order]
    last = np.append(at_ms[1:] != at_ms[:-1], True)
    return column.part(order[last])


def pack_column(column: Column, level: int = LEVEL) -> bytes:
    """Return values, qualities and reasons as bytes; times are kept beside, shared by many columns."""
    values = pack(_filled(column), level)
    runs = _runs(column)
    return (
        _SIZES.pack(len(values), column.at_ms.size)
        + values
        + (zlib.compress(runs.tobytes(), level) if runs.size else b"")
    )


def unpack_column(block: bytes, at_ms: NDArray[np.int64]) -> Column:
    """Return the column that was packed, at its times; Damaged if they do not fit together."""
    length, count = _SIZES.unpack_from(block)
    values = unpack(block[_SIZES.size : _SIZES.size + length])
    runs = block[_SIZES.size + length :]
    if not (count == values.size == at_ms.size):
        raise Damaged("times and values differ in number")
    if not runs:
        return Column(at_ms, values, np.zeros(count, np.uint8), np.zeros(count, np.uint16), flawless=True)
    found = np.frombuffer(zlib.decompress(runs), _RUN)
    quality, reason = np.repeat(found["quality"], found["length"]), np.repeat(found["reason"], found["length"])
    if quality.size != count:
        raise Damaged("qualities and values differ in number")
    values[quality == Quality.BAD] = np.nan
    return Column(at_ms, values, quality, reason)


def _filled(column: Column) -> NDArray[np.float64]:
    """Return the values with the last number in place of none: a NaN in a column doubles its size."""
    missing = column.quality == Quality.BAD
    if not missing.any():
        return column.values
    where = np.where(missing, 0, np.arange(missing.size))
    np.maximum.accumulate(where, out=where)
    values = column.values[where]
    return np.where(missing[where], 0.0, values)


def _runs(column: Column) -> NDArray[np.void]:
    quality, reason = column.quality, column.reason
    if not (quality.any() or reason.any()):
        return np.empty(0, _RUN)
    change = np.flatnonzero((np.diff(quality) != 0) | (np.diff(reason) != 0)) + 1
    starts = np.concatenate(([0], change))
    runs = np.empty(starts.size, _RUN)
    runs["length"] = np.diff(np.append(starts, quality.size))
    runs["quality"], runs["reason"] = quality[starts], reason[starts]
    return runs


def column_of(samples: Samples) -> tuple[Column, dict[int, str]]:
    """Return samples given from outside as a column in order of time, and its reasons."""
    texts = dict.fromkeys(["", *samples.reasons])
    codes = {text: code for code, text in enumerate(texts)}
    reason = np.array([codes[text] for text in samples.reasons], np.uint16) if len(codes) > 1 else None
    values = np.asarray(samples.values, np.float64).copy()
    quality = np.asarray(samples.quality, np.uint8).copy()
    quality[~np.isfinite(values)] = Quality.BAD
    values[quality == Quality.BAD] = np.nan
    reason = np.zeros(values.size, np.uint16) if reason is None else reason
    column = merged([Column(np.asarray(samples.at_ms, np.int64), values, quality, reason)])
    return column, {code: text for text, code in codes.items()}


def bad_at(starts: Sequence[int], code: int) -> Column:
    """Return BAD samples at some times, with one reason."""
    size = len(starts)
    return Column(
        np.array(sorted(starts), np.int64),
        np.full(size, np.nan),
        np.full(size, Quality.BAD, np.uint8),
        np.full(size, code, np.uint16),
    )
