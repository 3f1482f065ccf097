"""Readings and balances that must agree: the least adjustment that makes them, and whether it is believable."""

from __future__ import annotations

import functools
import math
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from types import MappingProxyType
from typing import TYPE_CHECKING, Any, Final

import numpy as np

from plantview.calcs.uncertainty import COVERAGE_95
from plantview.errors import OutsideSourceRange

if TYPE_CHECKING:
    from plantview.calcs._numeric import Array

ROUNDS_MAX: Final = 20
_SETTLED: Final = 1e-9
"""Change of an adjustment, in standard deviations, at which the linearisation is good enough."""
_CONDITION_MAX: Final = 1e12
_SAME: Final = 1e-6
"""Two sensors whose test statistics differ by less in every possible case count as one."""


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
    together = np.eye(measured.size)
    for (one, other), r in correlation.items():
        together[one, other] = together[other, one] = r
    # everything is counted in standard deviations of the readings, so that kW and K weigh alike
    adjusted, gain, inverse, left = _settled(measured, spreads / COVERAGE_95, balances, together)
    seen: Any = gain.T @ inverse @ gain
    shares = np.clip(np.diag(together @ seen @ together), 0.0, 1.0)
    strength = np.maximum(np.diag(seen), 0.0)
    blame = np.abs(gain.T @ inverse @ left)
    statistics = np.where(strength > _SAME, blame / np.sqrt(np.maximum(strength, _SAME)), 0.0)
    return Reconciled(
        tuple(adjusted.tolist()),
        tuple((spreads * np.sqrt(1.0 - shares)).tolist()),
        float(left @ inverse @ left),
        chi2_limit(gain.shape[0]),
        tuple(statistics.tolist()),
        _inseparable(seen),
    )


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


def _settled(
    measured: Array, deviations: Array, balances: Callable[[Sequence[float]], Sequence[float]], together: Array
) -> tuple[Array, Array, Array, Array]:
    """Return the adjusted readings, the slopes there (per deviation), the inverse of A V A' and what was left over."""
    adjusted = measured
    for _ in range(ROUNDS_MAX):
        gain = _slopes(balances, adjusted, deviations) * deviations
        left = np.asarray(balances(adjusted.tolist()), dtype=np.float64) + gain @ ((measured - adjusted) / deviations)
        inner: Any = gain @ together @ gain.T
        if not gain.size or np.linalg.cond(inner) > _CONDITION_MAX:
            raise OutsideSourceRange("the balances contain each other, or see no reading at all")
        inverse: Any = np.linalg.inv(inner)
        following = measured - deviations * (together @ gain.T @ inverse @ left)
        moved = float(np.max(np.abs(following - adjusted) / deviations))
        adjusted = following
        if moved < _SETTLED:
            return adjusted, gain, inverse, left
    raise OutsideSourceRange(f"the balances do not settle in {ROUNDS_MAX} rounds")


def _slopes(balances: Callable[[Sequence[float]], Sequence[float]], at: Array, steps: Array) -> Array:
    columns = []
    for place in range(at.size):
        step = np.zeros_like(at)
        step[place] = steps[place] * 0.01
        up, down = (np.asarray(balances((at + each).tolist()), dtype=np.float64) for each in (step, -step))
        columns.append((up - down) / (2.0 * step[place]))
    return np.stack(columns, axis=1)


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
