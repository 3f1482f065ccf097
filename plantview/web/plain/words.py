"""Readings in words and numbers as a viewer reads them, for pages and drawings that the server writes."""

from __future__ import annotations

import re
from dataclasses import dataclass
from typing import Final

from plantview.model.quality import Quality
from plantview.model.reading import Reading
from plantview.model.signal import Signal
from plantview.units import fixed, shown

HELD: Final = re.compile(r"^in hand at the device|overrid|held by", re.IGNORECASE)
"""Reasons that mean: another holds this value, at the device or by a command of higher priority."""
HAND: Final = re.compile("hand", re.IGNORECASE)
"""Reasons that mean: a drive's own switch stands in hand."""
SIGNS: Final = {"hand": "H", "held": "O"}


@dataclass(frozen=True, slots=True)
class Shown:
    """A reading ready to be printed."""

    number: str
    """Number, a state's word, or ``?`` where nothing is known."""
    unit: str
    mark: str
    """``good uncertain hand held stale bad``, for the style."""
    reason: str

    @property
    def text(self) -> str:
        """Return number and unit in one."""
        return f"{self.number} {self.unit}".strip()


def in_words(signal: Signal, reading: Reading, system: str) -> Shown:
    """Return a reading in the units of ``system`` (``si`` or ``ip``); never a number that may not be shown."""
    mark = mark_of(reading)
    if mark == "bad" or reading.value is None:
        return Shown("?", "", "bad", reading.reason)
    if signal.states:
        return Shown(signal.states.get(round(reading.value), f"{reading.value:g}"), "", mark, reading.reason)
    target, digits = shown(signal.quantity, system)
    number = fixed(target.from_canonical(signal.unit.to_canonical(reading.value)), digits)
    bare = number if float(number) else number.removeprefix("-")
    return Shown(bare, target.label, mark, reading.reason)


def mark_of(reading: Reading) -> str:
    """Return how a reading is marked: three different marks for in hand, held by another, and stale."""
    if reading.value is None or reading.quality is Quality.BAD:
        return "bad"
    if reading.quality is Quality.UNCERTAIN:
        return "held" if HELD.search(reading.reason) else "hand" if HAND.search(reading.reason) else "uncertain"
    return reading.quality.name.lower()


def sign_of(mark: str, age_s: float) -> str:
    """Return the sign beside a value: H in hand, O held by another, a clock with the age; else nothing."""
    return "◷" + age_text(age_s) if mark == "stale" else SIGNS.get(mark, "")


def age_text(seconds: float) -> str:
    """Return an age as it stands beside a clock: ``40s 12m 3h``."""
    for limit, length, letter in ((90, 1, "s"), (5_400, 60, "m")):
        if seconds < limit:
            return f"{max(0, round(seconds / length))}{letter}"
    return f"{round(seconds / 3_600)}h"
