"""What may be ordered: rules about numbers, as one table. Every rule has a name that the audit repeats."""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import Final

from plantview.drivers.look import Look
from plantview.errors import CommandRefused
from plantview.model.permit import RATE_S, Permit
from plantview.model.point import BacnetAddress, Point
from plantview.surveying.unit_words import UNLABELLED, our_unit
from plantview.units import UnknownUnit, unit

HOUR_S: Final = 3_600.0
SLACK: Final = 1e-9
"""Sums of steps are compared with so much room: 0.1 + 0.2 is no step above 0.3."""


def number_of(value: object, unit_name: str, point: Point) -> float:
    """Return an ordered value in the point's reported unit, converted once; CommandRefused for what is no number."""
    if type(value) is int or type(value) is float:
        number = float(value)
    else:
        raise CommandRefused("type", f"{str(value)[:40]!r} is no number")
    if not math.isfinite(number):
        raise CommandRefused("type", f"{number} is no number that can be ordered")
    if point.states:
        if number not in point.states:
            words = ", ".join(f"{at} {word}" for at, word in point.states.items())
            raise CommandRefused("range", f"{number:g} is no state of {point.name}: {words}")
        return number
    try:
        given = unit(unit_name, point.quantity)
    except UnknownUnit as error:
        raise CommandRefused("unit", str(error)) from None
    return number if given == point.unit else float(f"{point.unit.from_canonical(given.to_canonical(number)):.12g}")


def within(permit: Permit, point: Point, value: float) -> None:
    """Refuse what is outside the allow-list's range, before any device is asked."""
    if not permit.low <= value <= permit.high:
        raise CommandRefused("range", f"{value:g} is outside {permit.low:g} to {permit.high:g} {point.unit.label}")


@dataclass(frozen=True, slots=True)
class Ordered:
    """One ordered value beside what is known; ages are in seconds."""

    permit: Permit
    point: Point
    look: Look
    now: float
    """Present value."""
    value: float
    recent: Sequence[tuple[float, float]]
    """(age, step) of each command of this point within the last hour."""

    @property
    def step(self) -> float:
        """Return how far it moves the value."""
        return abs(self.value - self.now)

    def limits(self) -> tuple[float, float]:
        """Return the range: the allow-list's, narrowed by the device's own."""
        low = self.permit.low if self.look.low is None else max(self.permit.low, self.look.low)
        high = self.permit.high if self.look.high is None else min(self.permit.high, self.look.high)
        return low, high


def _range(order: Ordered) -> str:
    low, high = order.limits()
    if low <= order.value <= high:
        return ""
    return f"{order.value:g} is outside {low:g} to {high:g} {order.point.unit.label}"


def _step(order: Ordered) -> str:
    most = order.permit.most_step
    if order.point.states or order.step <= most + SLACK:
        return ""
    return f"from {order.now:g} to {order.value:g} is a step of {order.step:g}; {most:g} {order.point.unit.label} at once are allowed"


def _rate(order: Ordered) -> str:
    most = order.permit.most_change
    moved = sum(step for age_s, step in order.recent if age_s < RATE_S)
    if order.point.states or moved + order.step <= most + SLACK:
        return ""
    return f"it was moved by {moved:g} within 10 min already; {most:g} {order.point.unit.label} are allowed"


def _number(order: Ordered) -> str:
    count = sum(age_s < HOUR_S for age_s, _ in order.recent)
    if count < order.permit.per_hour:
        return ""
    return f"{order.point.name} was commanded {count} times within the hour; {order.permit.per_hour} are allowed"


def _units(order: Ordered) -> str:
    word = order.look.units
    if order.point.states or not isinstance(order.point.address, BacnetAddress) or word in UNLABELLED:
        return ""
    found = our_unit(word)
    if _same(found, order.point):
        return ""
    return f"the device says '{word}', the point list {order.point.unit.name}: correct the point list"


def _same(found: str, point: Point) -> bool:
    """Return whether two names are one unit: a device's bare pressure is gauge, absolute or a difference by its point."""
    try:
        if point.quantity.startswith(_PRESSURE):
            return unit(found, _BARE).factor == point.unit.factor
        return unit(found, point.quantity) == point.unit
    except UnknownUnit:
        return False


_PRESSURE: Final = "pressure_"
_BARE: Final = "pressure_difference"
RULES: Final[tuple[tuple[str, Callable[[Ordered], str]], ...]] = (
    ("unit", _units),
    ("range", _range),
    ("step", _step),
    ("rate", _rate),
    ("too_often", _number),
)
"""Name -> what is wrong with an order; empty if nothing is."""


def check(order: Ordered) -> None:
    """Refuse an order that breaks a rule."""
    for name, rule in RULES:
        why = rule(order)
        if why:
            raise CommandRefused(name, why)
