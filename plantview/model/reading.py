"""What was read, when it was true, and how far it may be trusted."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field

from plantview.model.quality import Quality


@dataclass(frozen=True, slots=True)
class Reading:
    """One value as reported by its device (or derived), in the reported unit."""

    value: float | None
    """None when BAD; a state is its number (``Point.states`` has the word)."""
    quality: Quality
    reason: str
    """Why it is not GOOD, in the crew's words; empty when GOOD."""
    at_ms: int
    """Plant time at which the value was true, UTC milliseconds."""
    u95: float | None = None
    """Of a derived value, how far it may be off either way (95 %), in its unit; None where that is not known."""

    @property
    def usable(self) -> bool:
        """Return whether calculations may use it."""
        return self.value is not None and self.quality <= Quality.UNCERTAIN


def bad(reason: str, at_ms: int) -> Reading:
    """Return a reading without a number."""
    return Reading(None, Quality.BAD, reason, at_ms)


_fields = (Reading.__dict__[name].__set__ for name in ("value", "quality", "reason", "at_ms", "u95"))
_set_value, _set_quality, _set_reason, _set_at_ms, _set_u95 = _fields


def good(value: float, at_ms: int) -> Reading:
    """Return a reading without a doubt.

    Nearly every reading of every sweep is one: put together field by field it costs half of what ``Reading(…)`` does.
    """
    made = object.__new__(Reading)
    _set_value(made, value)
    _set_quality(made, Quality.GOOD)
    _set_reason(made, "")
    _set_at_ms(made, at_ms)
    _set_u95(made, None)
    return made


@dataclass(frozen=True, slots=True)
class Batch:
    """The outcome of one poll exchange, or of one run of the derived values.

    ``readings`` are new knowledge, bad ones included. ``silent`` names the points
    that were asked for and not answered: their last reading stands and ages to STALE, then BAD.
    """

    at_ms: int
    readings: Mapping[str, Reading]
    silent: Mapping[str, str] = field(default_factory=dict)
    """Point name -> why there was no answer."""


@dataclass(frozen=True, slots=True)
class Frame:
    """All current readings at one moment, measured and derived."""

    seq: int
    at_ms: int
    readings: Mapping[str, Reading]

    def reading(self, name: str) -> Reading:
        """Return the reading of a point; one that was never read is BAD, not absent."""
        found = self.readings.get(name)
        return found if found is not None else bad("not read yet", self.at_ms)
