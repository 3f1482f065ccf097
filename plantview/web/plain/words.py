"""Readings in words and numbers as a viewer reads them, for pages that the server writes."""

from __future__ import annotations

from dataclasses import dataclass

from plantview.model.quality import Quality
from plantview.model.reading import Reading
from plantview.model.signal import Signal
from plantview.units import shown


@dataclass(frozen=True, slots=True)
class Shown:
    """A reading ready to be printed."""

    text: str
    """Number and unit, a state's word, or ``?`` where nothing is known."""
    mark: str
    """``good uncertain stale bad``, for the style."""
    reason: str


def in_words(signal: Signal, reading: Reading, system: str) -> Shown:
    """Return a reading in the units of ``system`` (``si`` or ``ip``); never a number that may not be shown."""
    mark = reading.quality.name.lower()
    if reading.value is None or reading.quality is Quality.BAD:
        return Shown("?", "bad", reading.reason)
    if signal.states:
        return Shown(signal.states.get(round(reading.value), f"{reading.value:g}"), mark, reading.reason)
    target, digits = shown(signal.quantity, system)
    number = target.from_canonical(signal.unit.to_canonical(reading.value))
    return Shown(f"{number:.{digits}f} {target.label}".strip(), mark, reading.reason)
