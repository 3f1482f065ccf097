"""Evaluates a condition against a frame: true, false, or unknown (None) where its inputs do not tell."""

from __future__ import annotations

from collections.abc import Iterable

from plantview.alarms.expression import AllOf, AnyOf, Clause, Compare, Is, Lasts, Not, Runs
from plantview.alarms.names import is_on
from plantview.model.reading import Frame
from plantview.model.signal import Signal


class Gate:
    """One condition of one alarm, with the times that its ``for`` parts have run.

    A part that is true when watching begins has been true for an unknown time: until its
    duration has passed it is unknown, not false, so that a restart suppresses nothing that stands.
    An unknown moment keeps the time running; only a known false ends it.
    """

    def __init__(self, tree: Clause) -> None:
        self._tree = tree
        self.settled = False
        """Whether the last answer holds until one of its signals changes: no time is running."""
        self._since_s: dict[int, float | None] = {}
        """Timer -> since when true; None after a known false."""
        self._from_start: set[int] = set()
        """Timers whose beginning was not watched."""

    def evaluate(self, frame: Frame, now_s: float) -> bool | None:
        """Return whether the condition holds; ``now_s`` is monotonic."""
        self.settled = True
        return self._truth(self._tree, frame, now_s)

    def _truth(self, clause: Clause, frame: Frame, now_s: float) -> bool | None:
        match clause:
            case Runs(signals):
                return _any(_runs(signal, frame) for signal in signals)
            case Is(signal, numbers):
                value = usable(signal, frame)
                return None if value is None else round(value) in numbers
            case Compare(signal, above, limit):
                value = usable(signal, frame)
                return None if value is None else (value > limit if above else value < limit)
            case Not(inner):
                return _opposite(self._truth(inner, frame, now_s))
            case AnyOf(parts):
                return _any([self._truth(part, frame, now_s) for part in parts])
            case AllOf(parts):
                return _opposite(_any([_opposite(self._truth(part, frame, now_s)) for part in parts]))
            case Lasts(inner, seconds, number):
                return self._lasts(self._truth(inner, frame, now_s), seconds, number, now_s)

    def _lasts(self, truth: bool | None, seconds: float, number: int, now_s: float) -> bool | None:
        if truth is False:
            self._since_s[number] = None
            self._from_start.discard(number)
            return False
        if truth is None:
            return None
        if number not in self._since_s:
            self._from_start.add(number)
        since_s = self._since_s.get(number)
        if since_s is None:
            since_s = self._since_s[number] = now_s
        if now_s - since_s >= seconds:
            return True
        self.settled = False
        return None if number in self._from_start else False


def usable(signal: Signal, frame: Frame) -> float | None:
    """Return the number of a reading that may be used, else None."""
    reading = frame.readings.get(signal.name)
    return reading.value if reading is not None and reading.usable else None


def _runs(signal: Signal, frame: Frame) -> bool | None:
    value = usable(signal, frame)
    return None if value is None else is_on(signal, value)


def _opposite(truth: bool | None) -> bool | None:
    return None if truth is None else not truth


def _any(truths: Iterable[bool | None]) -> bool | None:
    unknown = False
    for truth in truths:
        if truth:
            return True
        unknown = unknown or truth is None
    return None if unknown else False
