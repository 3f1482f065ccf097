"""A derived value at many moments: settled case by case, calculated in one go."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

from plantview.derive.bindings import Binding, Outcome, answered
from plantview.derive.budget_columns import BudgetColumn, BudgetColumns
from plantview.derive.cases import Codes, grouped
from plantview.derive.moments import Moments
from plantview.model.columns import Column, Floats, Ints
from plantview.model.quality import Quality

_EVERY: Final = slice(None)
Rows = slice | NDArray[np.intp]


def column_of(binding: Binding, moments: Moments, budgets: BudgetColumns | None) -> Column:
    """Return the readings of a derived value; ``budgets`` where its uncertainty is wanted too."""
    cases, firsts = grouped(_cases(binding, moments), moments.count)
    outcomes = [binding.outcome(moments.sight(row)) for row in firsts.tolist()]
    quality = np.array([outcome.quality for outcome in outcomes], np.uint8)[cases]
    texts = [moments.reasons.code(outcome.refusal or outcome.reason) for outcome in outcomes]
    found = Column(np.full(moments.count, np.nan), quality, np.array(texts, np.int64)[cases])
    unit = binding.signal.unit
    off = np.array([outcome.off for outcome in outcomes])
    if off.any():
        found.values[off[cases]] = unit.from_canonical(binding.row.when_off or 0.0)
    sure = BudgetColumn.none(moments.count, off[cases]) if budgets else None
    calculated = np.array([not outcome.off and not outcome.refusal for outcome in outcomes])
    if calculated.any():
        rows: Rows = _EVERY if calculated.all() else np.flatnonzero(calculated[cases])
        values = list(_inputs(binding, outcomes, cases, rows, moments))
        _calculate(binding, values, rows, found, moments)
        if budgets and sure is not None:
            known = np.isfinite(found.values[rows])
            sure = budgets.budget(binding.row.calc, binding.signal.inputs, values, rows, known, sure)
    if budgets and sure is not None:
        budgets.found[binding.signal.name] = sure
        found = Column(found.values, found.quality, found.reasons, budgets.u95(sure) / unit.factor)
    return found


def _cases(binding: Binding, moments: Moments) -> Iterator[Codes]:
    """Yield what the outcome depends on."""
    for gate in binding.row.gates:
        yield moments.verdicts(gate)
    for name in binding.signal.inputs:
        yield moments.state(name)
        machine = binding.row.off_terms.get(name)
        unread = ~moments.usable(name)
        if machine is not None and unread.any():
            yield moments.verdicts(machine).only(unread)


def _inputs(
    binding: Binding, outcomes: Sequence[Outcome], cases: Ints, rows: Rows, moments: Moments
) -> Iterator[Floats]:
    """Yield the canonical numbers of every input, 0 where the machine behind it is proven off."""
    for name in binding.signal.inputs:
        values = moments.canonical(name)[rows]
        zeroed = np.array([name in outcome.zeroed for outcome in outcomes])
        yield np.where(zeroed[cases][rows], 0.0, values) if zeroed.any() else values


def _calculate(binding: Binding, values: Sequence[Floats], rows: Rows, found: Column, moments: Moments) -> None:
    """Fill in the answers; where the formula has none, ask it once more as for one frame, for the reason."""
    unit = binding.signal.unit
    with np.errstate(all="ignore"):
        answers: Any = binding.row.calc(*values)
    answers = np.broadcast_to(np.asarray(answers, np.float64), values[0].shape)
    lost = np.flatnonzero(~np.isfinite(answers))
    if lost.size:
        answers = answers.copy()
        places = lost if rows is _EVERY else np.asarray(rows)[lost]
        for at, place in zip(lost.tolist(), places.tolist(), strict=True):
            said = answered(binding.row.calc, [float(each[at]) for each in values])
            if isinstance(said, str):
                found.quality[place], found.reasons[place] = Quality.BAD, moments.reasons.code(said)
            else:
                answers[at] = said
    found.values[rows] = (answers - unit.offset) / unit.factor
