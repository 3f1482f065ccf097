"""Whether a point says on, in one place: states by their word, valves by their opening."""

from __future__ import annotations

from typing import Final

from plantview.derive.conditions_observed import NO, TROUBLE, YES
from plantview.model.point import Point
from plantview.model.reading import Reading

OPEN_PCT: Final = 90.0
"""A valve counts as open from here (common practice, no source)."""
CLOSED_PCT: Final = 10.0
PART_OPEN: Final = "PART OPEN"
POSITIONS: Final = frozenset({"position", "isolation_valve"})
"""Openings whose ends are worth an event."""


def word_of(point: Point, reading: Reading) -> str:
    """Return what a point says as a word; empty where it may not be used, or a valve stands between its ends."""
    if reading.value is None or not reading.usable:
        return ""
    if point.states:
        return point.states.get(round(reading.value), f"{reading.value:g}").strip().upper()
    opening = point.unit.to_canonical(reading.value)
    return "OPEN" if opening >= OPEN_PCT else "CLOSED" if opening <= CLOSED_PCT else PART_OPEN


def is_on(point: Point, reading: Reading) -> bool | None:
    """Return whether a command is given or a proof is made; None where that is not known."""
    word = word_of(point, reading)
    if word in YES:
        return True
    if word in NO or word == PART_OPEN or (word in TROUBLE and point.measurement == "status"):
        return False
    return None
