"""Readings at many moments at once: one column per signal, reasons as codes of one list of texts."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from plantview.model.quality import Quality
from plantview.model.reading import Reading

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]
Flags = NDArray[np.bool_]

NO_NUMBER: Final = "the device reports something that is no number"
NEVER_READ: Final = "not read yet"


class Reasons:
    """Texts by code, in the order in which they were first seen; code 0 is no reason."""

    def __init__(self) -> None:
        self.texts: list[str] = [""]
        self._codes: dict[str, int] = {"": 0}

    def code(self, text: str) -> int:
        """Return the code of a text, a new one where it was not seen before."""
        found = self._codes.get(text)
        if found is None:
            found = self._codes[text] = len(self.texts)
            self.texts.append(text)
        return found


@dataclass(frozen=True, slots=True)
class Column:
    """Readings of one signal; all arrays have one length, one element per moment."""

    values: Floats
    """In the signal's unit; NaN where there is no number."""
    quality: NDArray[np.uint8]
    reasons: Ints
    u95: Floats | None = None
    """Of a derived value, where it was asked for; NaN where it is not known."""

    @classmethod
    def same(cls, count: int, value: float, quality: Quality, reason: int) -> Column:
        """Return the same reading at so many moments."""
        return cls(np.full(count, value), np.full(count, quality, np.uint8), np.full(count, reason, np.int64))

    @property
    def usable(self) -> Flags:
        """Return where calculations may use it."""
        return self.quality <= Quality.UNCERTAIN

    def reading(self, row: int, at_ms: int, reasons: Reasons) -> Reading:
        """Return one of its readings."""
        quality, value = Quality(int(self.quality[row])), float(self.values[row])
        u95 = None if self.u95 is None or np.isnan(self.u95[row]) else float(self.u95[row])
        known = None if quality is Quality.BAD else value
        return Reading(known, quality, reasons.texts[int(self.reasons[row])], at_ms, u95)


def sound(column: Column, reasons: Reasons) -> Column:
    """Return the column without numbers that are none, as the view of one frame has it."""
    strange = (column.quality != Quality.BAD) & ~np.isfinite(column.values)
    if not strange.any():
        return column
    return Column(
        np.where(strange, np.nan, column.values),
        np.where(strange, np.uint8(Quality.BAD), column.quality),
        np.where(strange, reasons.code(NO_NUMBER), column.reasons),
    )


class RowOf(Mapping[str, Reading]):
    """One moment of some columns, as a frame has it."""

    def __init__(self, columns: Mapping[str, Column], row: int, at_ms: int, reasons: Reasons) -> None:
        self._columns, self._row, self._at_ms, self._reasons = columns, row, at_ms, reasons

    def __getitem__(self, name: str) -> Reading:
        return self._columns[name].reading(self._row, self._at_ms, self._reasons)

    def __iter__(self) -> Iterator[str]:
        return iter(self._columns)

    def __len__(self) -> int:
        return len(self._columns)
