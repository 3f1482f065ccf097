"""How sure derived values are at many moments; the same sums as for one frame, of rows instead of numbers."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from plantview.calcs.uncertainty import combined, contributions
from plantview.derive.budget import Accuracies
from plantview.model.accuracy import Accuracy
from plantview.model.columns import Flags, Floats

Rows = slice | NDArray[np.intp]


def plus_minus(accuracy: Accuracy, values: Floats) -> Floats:
    """Return how far readings may be off, to the last digit as ``Accuracy.of`` has it."""
    grown = accuracy.share * values
    found: Floats = np.sqrt(accuracy.absolute * accuracy.absolute + grown * grown)
    return found


@dataclass(frozen=True, slots=True)
class BudgetColumn:
    """By how much each sensor may have moved a derived value."""

    parts: dict[str, Floats]
    """Sensor -> signed contribution (95 %) in the canonical unit; 0 where it has no part."""
    known: Flags
    """Where anything is known at all."""
    moved: Flags
    """Where at least one sensor has a part."""

    @classmethod
    def none(cls, count: int, known: Flags) -> BudgetColumn:
        """Return a budget to which no sensor contributes, known where a machine is proven off."""
        return cls({}, known.copy(), np.zeros(count, bool))


class BudgetColumns:
    """The budgets of one run over many moments."""

    def __init__(self, accuracies: Accuracies, count: int) -> None:
        self._accuracies, self._count = accuracies, count
        self.found: dict[str, BudgetColumn] = {}

    def budget(
        self,
        calc: Callable[..., float],
        inputs: Sequence[str],
        values: Sequence[Floats],
        rows: Rows,
        answered: Flags,
        own: BudgetColumn,
    ) -> BudgetColumn:
        """Return ``own`` completed at ``rows``; unknown where one input's accuracy is not known."""
        behind = [self._input(name, value, rows) for name, value in zip(inputs, values, strict=True)]
        known = answered.copy()
        for each in behind:
            known &= each.known
        spreads = [self.u95(each, 0.0) for each in behind]
        moved: Any
        with np.errstate(all="ignore"):
            moved = contributions(calc, values, spreads)
        for part in moved:
            known &= np.isfinite(part)
        own.known[rows] = known
        for part, spread, each in zip(moved, spreads, behind, strict=True):
            own.moved[rows] |= each.moved & known
            with np.errstate(all="ignore"):
                per_unit = np.where(spread != 0, part / spread, 0.0)
            for sensor, share in each.parts.items():
                column = own.parts.setdefault(sensor, np.zeros(self._count))
                column[rows] += np.where(known, per_unit * share, 0.0)
        return own

    def u95(self, budget: BudgetColumn, nothing: float = np.nan) -> Floats:
        """Return the expanded uncertainty; ``nothing`` where no sensor has a part in the value."""
        names = list(budget.parts)
        if not names:
            return np.full(budget.known.size, nothing)
        spread: Any = combined([budget.parts[name] for name in names], self._accuracies.together(names))
        return np.where(budget.moved & budget.known, spread, nothing)

    def _input(self, name: str, values: Floats, rows: Rows) -> BudgetColumn:
        accuracy = self._accuracies.of(name)
        if accuracy is not None:
            every = np.full(values.size, accuracy.known)
            return BudgetColumn({name: plus_minus(accuracy, values)}, every, every)
        found = self.found[name]
        return BudgetColumn(
            {sensor: part[rows] for sensor, part in found.parts.items()}, found.known[rows], found.moved[rows]
        )
