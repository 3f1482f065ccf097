"""Reconciliation over stored readings: all quarters of an hour of a stretch at once.

Conditions and reasons come case by case from the code that judges a live period; the sums and the
least squares go through in one piece for all periods that use the same balances.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

from plantview import units
from plantview.calcs._settling import Rows, Trouble
from plantview.calcs.reconcile import ReconciledRows, reconcile_rows
from plantview.derive.balances import Balance
from plantview.derive.bindings import REASON_MAX
from plantview.derive.budget_columns import plus_minus
from plantview.derive.cases import Codes, dense, grouped
from plantview.derive.moments import Moments
from plantview.derive.reconciliation import (
    CHI2,
    PERIOD_S,
    STATE,
    TINY,
    Period,
    Reconciliation,
    accusation,
    enough_of,
    judged,
)
from plantview.derive.sight import NEEDS
from plantview.model.columns import Column, Flags, Floats, Ints, Reasons
from plantview.model.quality import Quality
from plantview.model.reading import Reading, bad

_PERIOD_MS: Final = round(PERIOD_S * 1_000)


@dataclass(frozen=True, slots=True)
class Seen:
    """What was seen in each period of a stretch; arrays have one element per period."""

    numbers: Ints
    runs: Ints
    sums: dict[str, Floats]
    seen: dict[str, Ints]
    doubts: dict[str, Ints]
    """Sensor -> code of the last doubt, 0 for none."""
    held: dict[str, Ints]
    refused: dict[str, Ints]
    refusals: dict[str, Ints]
    why_not: dict[str, Ints]

    def period(self, at: int, reasons: Reasons) -> Period:
        """Return one of them as a live run would have it."""
        texts = reasons.texts
        period = Period(int(self.numbers[at]), int(self.runs[at]))
        period.held = {name: int(each[at]) for name, each in self.held.items() if each[at]}
        period.refused = {name: int(each[at]) for name, each in self.refused.items() if each[at]}
        period.refusals = {name: texts[each[at]] for name, each in self.refusals.items() if each[at]}
        period.why_not = {name: texts[each[at]] for name, each in self.why_not.items() if each[at]}
        period.sums = {name: float(each[at]) for name, each in self.sums.items() if self.seen[name][at]}
        period.seen = {name: int(each[at]) for name, each in self.seen.items() if each[at]}
        period.doubts = {name: texts[each[at]] for name, each in self.doubts.items() if each[at]}
        return period


class ReconciliationSweep:
    """The reconciliation of one plant over stretch after stretch."""

    def __init__(self, own: Reconciliation) -> None:
        self._own = own
        self._last: dict[str, Reading] = {}
        self._begun = -1

    def run(self, moments: Moments) -> dict[str, Column]:
        """Return a column of every signal: in each quarter of an hour what the one before said."""
        if not self._own.signals:
            return {}
        numbers, place = np.unique(moments.at_ms // _PERIOD_MS, return_inverse=True)
        if self._begun == numbers[0]:
            raise ValueError("a stretch of readings begins within a quarter of an hour that was begun before")
        self._begun = int(numbers[-1])
        found = self._finished(self._seen(numbers, place.astype(np.int64), moments), moments.reasons)
        early = bad("the first quarter of an hour is not over yet", 0)
        columns = {}
        for name, column in found.items():
            first = self._last.get(name, early)
            values = np.concatenate([[np.nan if first.value is None else first.value], column.values])
            quality = np.concatenate([[np.uint8(first.quality)], column.quality])
            reasons = np.concatenate([[moments.reasons.code(first.reason)], column.reasons])
            columns[name] = Column(values[place], quality[place], reasons[place])
            self._last[name] = column.reading(-1, 0, moments.reasons)
        return columns

    def _seen(self, numbers: Ints, place: Ints, moments: Moments) -> Seen:
        count = numbers.size

        def counted(where: Flags) -> Ints:
            return np.bincount(place[where], minlength=count)

        def last(codes: Ints) -> Ints:
            said, at = np.zeros(count, np.int64), np.flatnonzero(codes)
            said[place[at]] = codes[at]  # of several in one period the last stays
            return said

        found = Seen(numbers, np.bincount(place, minlength=count), {}, {}, {}, {}, {}, {}, {})
        for name in self._own.points:
            usable = moments.usable(name)
            weights = np.where(usable, moments.canonical(name), 0.0)
            found.sums[name] = np.bincount(place, weights, count).astype(
                np.float64
            )  # one after the other, as a live run adds
            found.seen[name] = counted(usable)
            found.doubts[name] = last(_doubts(name, moments))
        for balance in self._own.balances:
            held, refused, why = _judged(balance, moments)
            found.held[balance.name], found.refused[balance.name] = counted(held), counted(refused)
            found.refusals[balance.name] = last(np.where(refused, why, 0))
            found.why_not[balance.name] = last(why)
        return found

    def _finished(self, seen: Seen, reasons: Reasons) -> dict[str, Column]:
        count, balances = seen.numbers.size, self._own.balances
        result = {name: Column.same(count, np.nan, Quality.BAD, 0) for name in self._own.signals}
        enough = np.array([enough_of(runs) for runs in seen.runs.tolist()])
        used = np.stack([seen.held[each.name] >= enough for each in balances])
        moved = np.any([(seen.refused[each.name] > 0) & (seen.held[each.name] > 0) for each in balances], axis=0)
        solvable = used.any(axis=0) & ~moved
        masks, _ = grouped([dense(each.astype(np.int64)) for each in used], count)
        masks = np.where(solvable, masks + 1, 0)
        for mask in np.unique(masks).tolist():
            where = np.flatnonzero(masks == mask)
            chosen = [each for each, row in zip(balances, used, strict=True) if mask and row[where[0]]]
            self._fill(result, seen, where, chosen, reasons)
        return result

    def _fill(
        self,
        result: dict[str, Column],
        seen: Seen,
        where: NDArray[np.intp],
        chosen: Sequence[Balance],
        reasons: Reasons,
    ) -> None:
        """Fill in the periods that use the same balances; none where there is nothing to solve."""
        solution = _Solution.of(chosen, seen, where, self._own) if chosen else None
        trouble = solution.rows.trouble.astype(np.int64) if solution else np.zeros(where.size, np.int64)
        codes = [*self._reasons_of(seen, where, solved=bool(chosen)), dense(trouble)]
        single = trouble == Trouble.NO_NUMBER
        if single.any():  # what the formula says of itself holds for one period only
            codes.append(dense(np.where(single, np.arange(1, where.size + 1), 0)))
        cases, firsts = grouped(codes, where.size)
        for case, first in enumerate(firsts.tolist()):
            rows = np.flatnonzero(cases == case)
            for name, reading in self._own.finish(seen.period(int(where[first]), reasons)).items():
                column, at = result[name], where[rows]
                column.values[at] = np.nan if reading.value is None else reading.value
                column.quality[at], column.reasons[at] = reading.quality, reasons.code(reading.reason)
        if solution:
            solution.fill(result, where, np.flatnonzero(trouble == Trouble.NONE), reasons)

    def _reasons_of(self, seen: Seen, where: NDArray[np.intp], *, solved: bool) -> Iterator[Codes]:
        """Yield what the texts of a period depend on."""
        yield from (dense(each[where]) for each in seen.why_not.values())
        if solved:
            yield from (dense(each[where]) for each in seen.doubts.values())
            return
        yield dense(np.minimum(seen.runs[where], 100))
        for name, each in seen.refusals.items():
            yield dense(each[where])
            yield dense((seen.held[name][where] > 0).astype(np.int64))


@dataclass(frozen=True, slots=True)
class _Solution:
    """The least squares of the periods that use the same balances."""

    chosen: Sequence[Balance]
    sensors: tuple[str, ...]
    means: list[Floats]
    rows: ReconciledRows

    @classmethod
    def of(cls, chosen: Sequence[Balance], seen: Seen, where: NDArray[np.intp], own: Reconciliation) -> _Solution:
        sensors = tuple(dict.fromkeys(name for balance in chosen for name in balance.sensors))
        with np.errstate(all="ignore"):
            means = [seen.sums[name][where] / seen.seen[name][where] for name in sensors]
            spreads = [plus_minus(own.points[name].accuracy, mean) for name, mean in zip(sensors, means, strict=True)]
            u95 = np.stack([np.where(each > 0, each, TINY) for each in spreads], axis=1)
            together = own.accuracies.together(sensors)
            touching = [[at for at, each in enumerate(chosen) if name in each.sensors] for name in sensors]
            rows = reconcile_rows(np.stack(means, axis=1), u95, _all_of(chosen, sensors), together, touching)
        return cls(chosen, sensors, means, rows)

    def fill(
        self, result: Mapping[str, Column], where: NDArray[np.intp], fine: NDArray[np.intp], reasons: Reasons
    ) -> None:
        """Put the numbers where the texts are already."""
        with np.errstate(all="ignore"):
            left = _all_of(self.chosen, self.sensors)(self.means, None)
        for balance, values in zip(self.chosen, left, strict=True):
            unit = units.canonical(balance.quantity)
            result[balance.name].values[where[fine]] = ((values - unit.offset) / unit.factor)[fine]
        for at, name in enumerate(self.sensors):
            moved = self.rows.values[:, at] - self.means[at]
            result[f"{name}_adjustment"].values[where[fine]] = moved[fine]
        result[CHI2].values[where[fine]] = self.rows.chi2[fine]
        self._state(result, where, fine, reasons)

    def _state(
        self, result: Mapping[str, Column], where: NDArray[np.intp], fine: NDArray[np.intp], reasons: Reasons
    ) -> None:
        state, chi2 = result[STATE], result[CHI2]
        open_rows = ~(self.rows.chi2 <= self.rows.limit)
        closes = where[fine[~open_rows[fine]]]
        state.values[closes], state.quality[closes], state.reasons[closes] = (
            0.0,
            chi2.quality[closes],
            chi2.reasons[closes],
        )
        for row in fine[open_rows[fine]].tolist():
            at = where[row]
            text = accusation(self.rows.one(row), self.sensors, len(self.chosen))[:REASON_MAX]
            state.values[at], state.quality[at], state.reasons[at] = 1.0, Quality.UNCERTAIN, reasons.code(text)


def _all_of(chosen: Sequence[Balance], sensors: Sequence[str]) -> Rows:
    place = {name: at for at, name in enumerate(sensors)}

    def left_over(values: Sequence[Floats], some: Sequence[int] | None) -> list[Floats]:
        balances = chosen if some is None else [chosen[at] for at in some]
        # the formulas are of scalars by their types and of rows as well
        found: list[Any] = [each.left_over(*(values[place[name]] for name in each.sensors)) for each in balances]
        return found

    return left_over


def _doubts(name: str, moments: Moments) -> Ints:
    """Return the code of a sensor's doubt at every moment, 0 where it is none or cannot be used."""
    doubtful = moments.column(name).quality == Quality.UNCERTAIN
    if not doubtful.any():
        return np.zeros(moments.count, np.int64)
    cases, firsts = grouped([moments.state(name).only(doubtful)], moments.count)
    texts = [moments.sight(row).doubt(name) if doubtful[row] else "" for row in firsts.tolist()]
    return np.array([moments.reasons.code(text) for text in texts], np.int64)[cases]


def _judged(balance: Balance, moments: Moments) -> tuple[Flags, Flags, Ints]:
    """Return where a balance held, where it was judged and did not, and the code of why not."""
    codes = [*(moments.state(name) for name in balance.sensors), *(moments.verdicts(gate) for gate in balance.gates)]
    cases, firsts = grouped(codes, moments.count)
    said = [judged(balance, moments.sight(row)) for row in firsts.tolist()]
    held = np.array([not lack and not refusal for lack, refusal in said])
    refused = np.array([bool(refusal) and not refusal.startswith(NEEDS) for _, refusal in said])
    why = np.array([moments.reasons.code(lack or refusal) for lack, refusal in said], np.int64)
    return held[cases], refused[cases], why[cases]
