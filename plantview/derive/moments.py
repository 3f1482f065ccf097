"""What one run over many moments sees: columns of readings, and the values worked out so far."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Protocol

import numpy as np

from plantview.derive.cases import Codes, alike, dense, grouped, of_numbers
from plantview.derive.sight import Sight
from plantview.model.columns import NEVER_READ, Column, Flags, Floats, Ints, Reasons, RowOf, sound
from plantview.model.quality import Quality
from plantview.model.reading import Frame
from plantview.units import Unit


class Judged(Protocol):
    """Something that says by which codes it tells moments apart, and is asked about one of them."""

    def cases(self, moments: Moments) -> Sequence[Codes]:
        """Return what its judgement depends on."""
        ...


class Moments:
    """Readings by name, measured and derived, at many moments; what is asked twice is worked out once."""

    def __init__(
        self, at_ms: Ints, measured: Mapping[str, Column], units: Mapping[str, Unit], reasons: Reasons
    ) -> None:
        self.at_ms, self.count, self.reasons, self._units = at_ms, at_ms.size, reasons, units
        self._measured = {name: sound(column, reasons) for name, column in measured.items()}
        self.found: dict[str, Column] = {}
        """Derived values of this run."""
        self._canonical: dict[str, Floats] = {}
        self._usable: dict[str, Flags] = {}
        self._states: dict[str, Codes] = {}
        self._words: dict[str, Codes] = {}
        self._cases: dict[int, Codes] = {}

    def column(self, name: str) -> Column:
        """Return the readings of a point or of a derived value; one that was never read is BAD, not absent."""
        own = self.found.get(name) or self._measured.get(name)
        if own is None:
            never = self.reasons.code(NEVER_READ)
            own = self._measured[name] = Column.same(self.count, np.nan, Quality.BAD, never)
        return own

    def canonical(self, name: str) -> Floats:
        """Return the numbers in the unit of calculations; NaN where there is none."""
        if name not in self._canonical:
            unit, values = self._units[name], self.column(name).values
            plain = unit.factor == 1.0 and unit.offset == 0.0
            self._canonical[name] = values if plain else values * unit.factor + unit.offset
        return self._canonical[name]

    def usable(self, name: str) -> Flags:
        """Return where calculations may use a reading."""
        if name not in self._usable:
            self._usable[name] = self.column(name).usable
        return self._usable[name]

    def state(self, name: str) -> Codes:
        """Return codes that tell quality and reason of a signal apart."""
        if name not in self._states:
            column = self.column(name)
            flawless = not column.quality.any() and not column.reasons.any()
            self._states[name] = alike(self.count) if flawless else dense(column.reasons * 4 + column.quality)
        return self._states[name]

    def words(self, name: str) -> Codes:
        """Return codes that tell the numbers of a state apart."""
        if name not in self._words:
            self._words[name] = of_numbers(self.column(name).values)
        return self._words[name]

    def verdicts(self, judged: Judged) -> Codes:
        """Return the cases of something that judges; the same thing is asked once."""
        key = id(judged)
        if key not in self._cases:
            cases, firsts = grouped(judged.cases(self), self.count)
            self._cases[key] = Codes(cases, firsts.size)
        return self._cases[key]

    def sight(self, row: int) -> Sight:
        """Return one moment as the rules of a live frame see it."""
        at_ms = int(self.at_ms[row])
        frame = Frame(0, at_ms, RowOf(self._measured, row, at_ms, self.reasons))
        return Sight(frame, self._units, RowOf(self.found, row, at_ms, self.reasons))
