"""How sure a calculated value is: sensor accuracies carried through a formula."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING, Any, Final, cast

import numpy as np

from plantview.calcs._numeric import any_of, choose, is_number, sqrt, total
from plantview.errors import CalcError, OutsideSourceRange

if TYPE_CHECKING:
    from collections.abc import Callable, Mapping, Sequence

    from plantview.calcs._numeric import Numeric

COVERAGE_95: Final = 1.96
"""Standard deviations to either side that hold 95 % of a normal distribution."""


def contributions(
    calc: Callable[..., Numeric], values: Sequence[Numeric], u95: Sequence[Numeric]
) -> tuple[Numeric, ...]:
    """Return by how much each input's uncertainty moves the result, with its sign.

    Each input is moved by one standard uncertainty to either side and half the difference
    is taken, so that a formula that bends is felt over the width that matters.

    Shape
        Two sequences of one length -> as many numbers; of arrays -> arrays.

    Parameters
        calc            the formula, of what the values are              [any]
        values          its inputs                                       [any]
        u95             their expanded uncertainties (95 %)              [any]

    Returns
        contributions   expanded (95 %), in the unit of the result       [any]

    Errors
        OutsideSourceRange   the formula answers on neither side of a value (an element: NaN).
        ValueError           the two are not of one length.

    Source
        JCGM 100:2008, 5.1.3 with its note 2 (tests/standards/test_uncertainty.py).

    >>> [round(each, 9) for each in contributions(lambda a, b: a * b, [10.0, 3.0], [0.5, 0.1])]
    [1.5, 1.0]
    """
    pairs = list(zip(values, u95, strict=True))
    moved: list[Numeric] = []
    for place, (_, spread) in enumerate(pairs):
        if is_number(spread) and spread == 0:
            moved.append(spread)
            continue
        moved.append(_half_difference(calc, values, place, spread / COVERAGE_95) * COVERAGE_95)
    return tuple(moved)


def combined(parts: Sequence[Numeric], correlation: Mapping[tuple[int, int], float]) -> Numeric:
    """Return the uncertainty of a result from its contributions.

    A matched pair that errs together (correlation near 1) hardly touches a difference, and
    counts double in a sum.

    Shape
        One sequence and a few pairs of its places -> one number; of arrays -> an array.

    Parameters
        parts           signed contributions                             [any]
        correlation     of pairs of places, -1..1; 0 where none is given [1]

    Returns
        uncertainty     expanded as the contributions are                [any]

    Errors
        OutsideSourceRange   a correlation outside -1..1.

    Source
        JCGM 100:2008, 5.2.2, eq. 13 (tests/standards/test_uncertainty.py).

    >>> combined([3.0, -4.0], {})
    5.0
    """
    sum_of_squares = total(part * part for part in parts)
    for (one, other), r in correlation.items():
        if not -1.0 <= r <= 1.0:
            raise OutsideSourceRange(f"correlation {r:g} is outside -1 to 1")
        sum_of_squares = sum_of_squares + 2.0 * r * parts[one] * parts[other]
    return sqrt(choose(sum_of_squares > 0, sum_of_squares, 0.0 * sum_of_squares), "sum of squares")


def expanded(
    calc: Callable[..., float],
    values: Sequence[float],
    u95: Sequence[float],
    correlation: Mapping[tuple[int, int], float],
) -> float:
    """Return the expanded uncertainty of a formula's result.

    Shape
        Two sequences of one length and a few pairs of their places -> one number.

    Parameters
        calc            the formula, of scalars                          [any]
        values          its inputs                                       [any]
        u95             their expanded uncertainties (95 %)              [any]
        correlation     of pairs of inputs, -1..1; 0 where none is given [1]

    Returns
        uncertainty     expanded (95 %), in the unit of the result       [any]

    Errors
        OutsideSourceRange   the formula answers on neither side of a value.
        ValueError           values and uncertainties are not of one length.

    Source
        JCGM 100:2008, 5.1.2 and 5.2.2; against a Monte Carlo of 10⁶ samples (JCGM 101)
        within 3 % (tests/standards/test_uncertainty.py).

    >>> expanded(lambda a, b: a - b, [12.0, 7.0], [0.1, 0.1], {(0, 1): 1.0})
    0.0
    """
    return combined(contributions(calc, values, u95), correlation)


def pair_correlation(u95_each: float, u95_difference: float) -> float:
    """Return the correlation of a matched pair from how sure its difference is.

    Shape
        Two numbers -> one number.

    Parameters
        u95_each        accuracy of either sensor, above 0               [K]
        u95_difference  accuracy of their difference, 0..2 × u95_each    [K]

    Returns
        correlation     1: they err together; 0: independently           [1]

    Errors
        OutsideSourceRange   a difference worse than two sensors can make it.

    Source
        JCGM 100:2008, eq. 13 solved for r: 1 - d² / 2u² (tests/standards/test_uncertainty.py).

    >>> round(pair_correlation(0.2, 0.1), 3)
    0.875
    """
    if u95_each <= 0 or not 0 <= u95_difference <= 2.0 * u95_each:
        raise OutsideSourceRange(f"a pair of sensors of ±{u95_each:g} cannot have a difference of ±{u95_difference:g}")
    return 1.0 - u95_difference**2 / (2.0 * u95_each**2)


def _half_difference(calc: Callable[..., Numeric], values: Sequence[Numeric], place: int, step: Numeric) -> Numeric:
    """Return half of what the result changes by between one step down and one step up."""
    up, down = (
        _answer(calc, [value + sign * step if at == place else value for at, value in enumerate(values)])
        for sign in (1.0, -1.0)
    )
    half = (up - down) / 2.0
    if not any_of(_unknown(half)):
        return half
    middle = calc(*values)
    one_sided = choose(_unknown(up), middle - down, up - middle)
    found = choose(_unknown(half), one_sided, half)
    if is_number(found) and _unknown(found):
        raise OutsideSourceRange("the inputs are too unsure for this calculation")
    return found


def _unknown(value: Numeric) -> object:
    known: Any = np.isfinite(cast("Any", value))
    return not known if is_number(value) else ~known


def _answer(calc: Callable[..., Numeric], values: Sequence[Numeric]) -> Numeric:
    """Return the formula's answer; NaN where it refuses."""
    try:
        return calc(*values)
    except CalcError:
        nothing: Any = math.nan
        return cast("Numeric", nothing)
