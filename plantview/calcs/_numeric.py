"""What lets one formula take a number, a NumPy array or a pandas series, with the same digits in each.

Logarithm and exponential come from one library for all three: the ones of ``math`` differ from
NumPy's in the last bit, and a value worked out again over a year must be the one that was shown.
"""

from __future__ import annotations

import functools
import math
import operator
from typing import TYPE_CHECKING, Any, cast

import numpy as np

from plantview.errors import OutsideSourceRange

if TYPE_CHECKING:
    from collections.abc import Iterable
    from typing import TypeVar

    import pandas as pd

    Array = np.ndarray[Any, np.dtype[np.float64]]
    Numeric = TypeVar("Numeric", float, Array, pd.Series[float])


def is_number(value: object) -> bool:
    """Return whether a value is one number and not a row of them."""
    return isinstance(value, (int, float))


def within(value: Numeric, low: float, high: float, what: str) -> Numeric:
    """Return the value; beyond ``low`` to ``high`` refuse a number and blank an element."""
    if not is_number(value):
        return cast("Numeric", _blank_unless(value, (value >= low) & (value <= high)))
    if value < low or value > high:
        raise OutsideSourceRange(f"{what} {value:.5g} is outside {low:.5g} to {high:.5g}")
    return value


def quotient(above: Numeric, below: Numeric, what: str) -> Numeric:
    """Return above / below; ``what`` names the divisor that must not be zero."""
    if not is_number(below):
        row: Any = above / _blank_unless(below, below != 0)
        return cast("Numeric", row)
    if below == 0:
        raise OutsideSourceRange(f"{what} is zero")
    return above / below


def polynomial(coefficients: tuple[float, ...], x: Numeric) -> Numeric:
    """Return the sum of coefficients[i] * x**i."""
    total: Any = 0.0
    for coefficient in reversed(coefficients):
        total = total * x + coefficient
    return cast("Numeric", total)


def log(x: Numeric) -> Numeric:
    """Return the natural logarithm of a positive value; NaN of another element."""
    value: Any = x
    if is_number(value):
        number: Any = float(np.log(value)) if value > 0 else math.log(value)
        return cast("Numeric", number)
    return cast("Numeric", np.log(_blank_unless(value, value > 0)))


def exp(x: Numeric) -> Numeric:
    """Return e**x."""
    value: Any = np.exp(cast("Any", x))
    answer: Any = float(value) if is_number(x) else value
    return cast("Numeric", answer)


def sqrt(x: Numeric, what: str) -> Numeric:
    """Return the square root; ``what`` names the value that must not be negative."""
    under: Any = within(x, 0.0, math.inf, what)
    root: Any = np.sqrt(under)
    answer: Any = float(root) if is_number(x) else root
    return cast("Numeric", answer)


def total(values: Iterable[Numeric]) -> Numeric:
    """Return the sum, one term after the other; the built-in one carries numbers otherwise than rows."""
    answer: Any = functools.reduce(operator.add, cast("Iterable[Any]", values), 0.0)
    return cast("Numeric", answer)


def choose(condition: object, when_true: Numeric, when_false: Numeric) -> Numeric:
    """Return, element by element, one of two values; the condition has the shape of the answer."""
    if isinstance(condition, (bool, np.bool_)):
        return when_true if condition else when_false
    return cast("Numeric", _like(condition, np.where(cast("Any", condition), when_true, when_false)))


def any_of(condition: object) -> bool:
    """Return whether a condition holds anywhere."""
    return bool(np.any(cast("Any", condition)))


def _blank_unless(value: object, keep: object) -> Array | pd.Series[float]:
    return _like(value, np.where(cast("Array", keep), cast("Array", value), np.nan))


def _like(pattern: object, row: Array) -> Array | pd.Series[float]:
    """Return the row as a series where the pattern is a series, with its index."""
    if not hasattr(pattern, "to_numpy"):
        return row
    series = cast("pd.Series[float]", pattern)
    return type(series)(row, index=series.index, name=series.name)
