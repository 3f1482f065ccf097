"""Moments grouped into cases: whatever is decided by words and limits is decided once per case.

The rules that judge one frame are asked about the first moment of each case, and their answer
stands for all of its moments. So a year is judged by the very code that judges a live frame.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

from plantview.model.columns import Flags, Ints

_SPAN_MAX: Final = 4
"""Of the number of moments: codes spread wider are sorted, others counted."""
_PRODUCT_MAX: Final = 1 << 60


@dataclass(frozen=True, slots=True)
class Codes:
    """What tells moments apart: moments with the same number are alike."""

    numbers: Ints
    """0 and up."""
    size: int
    """One more than the largest."""

    def only(self, where: Flags) -> Codes:
        """Return codes that tell apart only the moments marked."""
        return dense(np.where(where, self.numbers + 1, 0)) if self.size > 1 else dense(where.astype(np.int64))


def alike(count: int) -> Codes:
    """Return codes that tell nothing apart."""
    return Codes(np.zeros(count, np.int64), 1)


def dense(numbers: Ints) -> Codes:
    """Return codes without gaps for any whole numbers."""
    low, high = int(numbers.min()), int(numbers.max())
    if low == high:
        return alike(numbers.size)
    if high - low > _SPAN_MAX * numbers.size + 1_000:
        found, codes = np.unique(numbers, return_inverse=True)
        return Codes(codes.astype(np.int64), found.size)
    present = np.bincount(numbers - low) > 0
    place = np.cumsum(present) - 1
    return Codes(place[numbers - low], int(place[-1]) + 1)


def of_numbers(values: NDArray[np.floating[Any]]) -> Codes:
    """Return codes for numbers with no rule to them; what is no number is a case of its own."""
    whole = np.rint(values)
    small = np.abs(whole) < values.size + 1_000  # False for NaN
    if bool(np.all(~small | (whole == values))) and bool(np.all(small | np.isnan(values))):
        return dense(np.where(small, whole, -values.size - 1_000).astype(np.int64))
    _, codes = np.unique(values, return_inverse=True, equal_nan=True)
    return Codes(codes.astype(np.int64), int(codes.max()) + 1)


def grouped(codes: Iterable[Codes], count: int) -> tuple[Ints, Ints]:
    """Return the case of every moment, and the first moment of each case."""
    together = alike(count)
    for each in codes:
        if each.size == 1:
            continue
        if together.size * each.size > _PRODUCT_MAX:
            together = dense(together.numbers)
        together = Codes(together.numbers * each.size + each.numbers, together.size * each.size)
    cases = dense(together.numbers)
    firsts = np.zeros(cases.size, np.int64)
    firsts[cases.numbers[::-1]] = np.arange(count - 1, -1, -1)
    return cases.numbers, firsts
