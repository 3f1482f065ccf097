"""Limits and deadbands: texts with a unit, turned once into the unit in which a signal is read.

Comparing in the signal's own unit keeps "equal to the limit" equal: 49.0 °F read from a
device is the same number as a limit of 50 °F less a deadband of 1 °F.
"""

from __future__ import annotations

import math
from typing import Final

from plantview import units
from plantview.model.signal import Signal

DIFFERENCE: Final = {
    "temperature": "temperature_difference",
    "pressure_gauge": "pressure_difference",
    "pressure_absolute": "pressure_difference",
}
"""Quantity of the difference of two values; every other quantity is its own."""

_AS_DIFFERENCE: Final = {"degF": "delta_degF", "degC": "K"}
_DIGITS: Final = 12


def difference_of(quantity: str) -> str:
    """Return the quantity that the difference of two such values has."""
    return DIFFERENCE.get(quantity, quantity)


def amount(text: str, signal: Signal) -> float:
    """Return ``"48 degF"`` as a number in the signal's unit; UnknownUnit (a ValueError) says what would be right."""
    return _exact(signal.unit.from_canonical(_canonical(text, signal.quantity)))


def span(text: str, signal: Signal) -> float:
    """Return a difference such as ``"2 degF"`` as a number in the signal's unit; it may not be negative."""
    value = _canonical(text, difference_of(signal.quantity))
    if value < 0:
        raise units.UnknownUnit(f"'{text}' may not be negative")
    return _exact(value / signal.unit.factor)


def shown_value(value: float, signal: Signal, system: str) -> tuple[float, str, str]:
    """Return a reading as (number, text of the number, unit label) in the plant's own unit system."""
    unit, decimals = units.shown(signal.quantity, system)
    number = unit.from_canonical(signal.unit.to_canonical(value))
    return round(number, decimals), f"{number:.{decimals}f}", unit.label


def shown_span(value: float, signal: Signal, system: str) -> tuple[float, str, str]:
    """Return a difference in the signal's unit as (number, text, unit label) in the plant's own unit system."""
    unit, decimals = units.shown(difference_of(signal.quantity), system)
    number = unit.from_canonical(value * signal.unit.factor)
    return round(number, decimals), f"{number:.{decimals}f}", unit.label


def _canonical(text: str, quantity: str) -> float:
    number, _, unit = text.strip().partition(" ")
    if quantity == "temperature_difference":
        unit = _AS_DIFFERENCE.get(unit.strip(), unit.strip())
    value = units.parse(f"{number} {unit}", quantity)
    if not math.isfinite(value):
        raise units.UnknownUnit(f"'{text}' is not a finite number")
    return value


def _exact(value: float) -> float:
    return float(f"{value:.{_DIGITS}g}")
