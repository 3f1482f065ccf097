"""Readings and balances that must agree: the least adjustment that makes them, and whether it is believable."""

from __future__ import annotations

import dataclasses
import functools
import math
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from types import MappingProxyType
from typing import TYPE_CHECKING, Final

import numpy as np

from plantview.calcs._settling import ROUNDS_MAX, Rows, Settled, Trouble, settled
from plantview.calcs.uncertainty import COVERAGE_95
from plantview.errors import OutsideSourceRange

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from plantview.calcs._numeric import Array

_SAME: Final = 1e-6
"""Two sensors whose test statistics differ by less in every possible case count as one."""


_WORDS: Final = {
    Trouble.DEPENDENT: "the balances contain each other, or see no reading at all",
    Trouble.NO_NUMBER: "the balances give no number",
    Trouble.UNSETTLED: f"the balances do not settle in {ROUNDS_MAX} rounds",
}


@dataclass(frozen=True, slots=True)
class Reconciled:
    """What a reconciliation found; sequences in the order of the readings."""

    values: tuple[float, ...]
    """Readings after adjustment: all balances close."""
    u95: tuple[float, ...]
    """Their expanded uncertainty, never above that of the reading."""
    chi2: float
    """Weighted sum of squared adjustments."""
    limit: float
    """What chi2 stays below in 95 of 100 cases where nothing is wrong."""
    statistics: tuple[float, ...]
    """How strongly the balances accuse a sensor; above 1.96 a suspect; 0 where no balance sees it. Where sensors err
    independently it is the adjustment over its own standard deviation."""
    groups: tuple[tuple[int, ...], ...]
    """Sensors that no balance here can tell apart: an error of one looks like an error of the other."""

    @property
    def closes(self) -> bool:
        """Return whether the readings agree within their accuracies."""
        return self.chi2 <= self.limit


def reconcile(
    readings: Sequence[float],
    u95: Sequence[float],
    balances: Callable[[Sequence[float]], Sequence[float]],
    correlation: Mapping[tuple[int, int], float] = MappingProxyType({}),
) -> Reconciled:
    """Return the readings adjusted as little as their accuracies allow so that every balance closes.

    Shape
        Two sequences of one length and a few pairs of their places -> sequences of that length.

    Parameters
        readings    measured values                                      [any]
        u95         their expanded uncertainties (95 %), above 0         [any]
        balances    formula: readings -> what is left over of each
                    balance, 0 where it closes                           [any]
        correlation of pairs of readings, above -1 and below 1           [1]

    Returns
        reconciled  in the units of the readings                         [any]

    Errors
        OutsideSourceRange   a reading without uncertainty, balances that contain each
                             other, or no answer after twenty rounds.
        ValueError           the two are not of one length.

    Source
        Weighted least squares, x = y - V A' (A V A')⁻¹ (A y), linearised again until it
        settles; VDI 2048 part 1 and Narasimhan & Jordache (2000); statistics are the
        measurement test of maximum power, Mah & Tamhane (1982); all from memory
        (tests/standards/test_reconcile.py).

    >>> found = reconcile([100.0, 60.0, 44.0], [2.0, 2.0, 2.0], lambda x: [x[0] - x[1] - x[2]])
    >>> [round(value, 2) for value in found.values]
    [101.33, 58.67, 42.67]
    """
    measured, spreads = np.asarray(readings, dtype=np.float64), np.asarray(u95, dtype=np.float64)
    if measured.shape != spreads.shape:
        raise ValueError(f"{measured.size} readings and {spreads.size} uncertainties")
    if not np.all(spreads > 0) or not np.all(np.isfinite(measured)):
        raise OutsideSourceRange("every reading needs a number and an uncertainty above 0")

    def rows(columns: Sequence[Array], _: Sequence[int] | None) -> list[Array]:
        return [np.array([each]) for each in balances([float(column[0]) for column in columns])]

    many = reconcile_rows(measured[None, :], spreads[None, :], rows, correlation)
    why = Trouble(int(many.trouble[0]))
    if why:
        raise OutsideSourceRange(_WORDS[why])
    return many.one(0)


@dataclass(frozen=True, slots=True)
class ReconciledRows:
    """What a reconciliation found for many sets of readings; first index the set, second the reading."""

    values: Array
    """Readings after adjustment."""
    chi2: Array
    """Weighted sum of squared adjustments of each set."""
    limit: float
    trouble: NDArray[np.int8]
    """0 where the set has an answer."""
    _settled: Settled
    _u95: Array
    _together: Array

    def one(self, at: int) -> Reconciled:
        """Return all that was found for one set that has an answer."""
        found = self._settled
        fields = (getattr(found, each.name) for each in dataclasses.fields(found))
        single = Settled(*(each[at : at + 1] for each in fields))
        seen, spreads = single.seen[0], self._u95[at]
        shares = np.clip(np.diag(self._together @ seen @ self._together), 0.0, 1.0)
        strength = np.maximum(np.diag(seen), 0.0)
        statistics = np.where(strength > _SAME, np.abs(single.blame[0]) / np.sqrt(np.maximum(strength, _SAME)), 0.0)
        return Reconciled(
            tuple(self.values[at].tolist()),
            tuple((spreads * np.sqrt(1.0 - shares)).tolist()),
            float(self.chi2[at]),
            self.limit,
            tuple(statistics.tolist()),
            _inseparable(seen),
        )


def reconcile_rows(
    readings: Array,
    u95: Array,
    balances: Rows,
    correlation: Mapping[tuple[int, int], float] = MappingProxyType({}),
    touching: Sequence[Sequence[int]] | None = None,
) -> ReconciledRows:
    """Return many sets of readings adjusted, each as ``reconcile`` does it, to the last digit.

    Shape
        Two arrays (sets, readings) -> arrays of that shape.

    Parameters
        readings    measured values                                      [any]
        u95         their expanded uncertainties (95 %), above 0         [any]
        balances    formula: a row per reading -> a row per balance, of
                    all balances or of those named                       [any]
        correlation of pairs of readings, above -1 and below 1           [1]
        touching    for each reading, the balances that it is in         [place]

    Returns
        reconciled  a set without an answer is marked                    [any]

    Errors
        None: what one set lacks is no error of the others.

    Source
        As for ``reconcile`` (tests/standards/test_reconcile.py).

    >>> tee = lambda x, chosen: [x[0] - x[1] - x[2]]
    >>> found = reconcile_rows(np.array([[100.0, 60.0, 44.0]]), np.full((1, 3), 2.0), tee)
    >>> found.values.round(2).tolist()
    [[101.33, 58.67, 42.67]]
    """
    together = np.eye(readings.shape[1])
    for (one, other), r in correlation.items():
        together[one, other] = together[other, one] = r
    with np.errstate(all="ignore"):
        # everything is counted in standard deviations of the readings, so that kW and K weigh alike
        found = settled(readings, u95 / COVERAGE_95, balances, together, touching)
        count = found.left.shape[1]
        limit = chi2_limit(count) if count else 0.0
        return ReconciledRows(found.adjusted, found.chi2, limit, found.trouble, found, u95, together)


def chi2_limit(degrees_of_freedom: int, share: float = 0.95) -> float:
    """Return what a sum of so many squared normal deviations stays below.

    Shape
        Two numbers -> one number.

    Parameters
        degrees_of_freedom  1 or more                                    [1]
        share               of all cases, above 0 and below 1            [1]

    Returns
        limit       quantile of the chi-square distribution              [1]

    Errors
        OutsideSourceRange   no degree of freedom, or a share outside.

    Source
        Inverse of the regularised incomplete gamma function, by its series and bisection;
        printed tables to their last digit (tests/standards/test_reconcile.py).

    >>> round(chi2_limit(1), 3)
    3.841
    """
    if degrees_of_freedom < 1 or not 0 < share < 1:
        raise OutsideSourceRange(f"no chi-square limit for {degrees_of_freedom} balances at {share:g}")
    return _quantile(degrees_of_freedom, share)


@functools.lru_cache(maxsize=256)
def _quantile(degrees_of_freedom: int, share: float) -> float:
    low, high = 0.0, degrees_of_freedom + 40.0 * math.sqrt(degrees_of_freedom)
    for _ in range(80):
        middle = (low + high) / 2.0
        if _gamma_share(degrees_of_freedom / 2.0, middle / 2.0) < share:
            low = middle
        else:
            high = middle
    return (low + high) / 2.0


def _inseparable(seen: Array) -> tuple[tuple[int, ...], ...]:
    """Return groups of sensors whose test statistics are always equal."""
    size = np.sqrt(np.maximum(np.diag(seen), 0.0))
    groups: list[list[int]] = []
    for place in np.flatnonzero(size**2 > _SAME).tolist():
        for group in groups:
            first = group[0]
            if 1.0 - abs(seen[place, first]) / (size[place] * size[first]) < _SAME:
                group.append(place)
                break
        else:
            groups.append([place])
    return tuple(tuple(group) for group in groups if len(group) > 1)


def _gamma_share(shape: float, x: float) -> float:
    """Return the regularised lower incomplete gamma function of x > 0 by its power series."""
    term = total = 1.0 / shape
    step = shape
    while term > 1e-17 * total:
        step += 1.0
        term *= x / step
        total += term
    return min(1.0, total * math.exp(-x + shape * math.log(x) - math.lgamma(shape)))
