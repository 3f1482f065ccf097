"""What one run of the derived values sees: the frame, and the values worked out so far."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Final

from plantview.derive.budget import Budget
from plantview.model.columns import NO_NUMBER
from plantview.model.quality import Quality
from plantview.model.reading import Frame, Reading, bad
from plantview.units import Unit

NEEDS: Final = "needs "


@dataclass(frozen=True, slots=True)
class Sight:
    """Readings by name, measured and derived."""

    frame: Frame
    units: Mapping[str, Unit]
    found: Mapping[str, Reading]
    """Derived values of this run; a value of an earlier run in the frame does not count."""
    budgets: dict[str, Budget] = field(default_factory=dict)
    """How sure the derived values of this run are, by sensor; none where that is not known."""

    def reading(self, name: str) -> Reading:
        """Return the reading of a point or of a derived value of this run."""
        own = self.found.get(name)
        reading = own if own is not None else self.frame.reading(name)
        if reading.value is not None and not math.isfinite(reading.value):
            return bad(NO_NUMBER, reading.at_ms)
        return reading

    def value(self, name: str, reading: Reading) -> float:
        """Return the number of a usable reading in the unit of calculations."""
        if reading.value is None:
            raise ValueError(f"{name} was used without a number")
        return self.units[name].to_canonical(reading.value)

    def lack(self, name: str) -> str:
        """Return why a reading cannot be used, as the reason of whatever needs it."""
        reading = self.reading(name)
        if name in self.found and reading.reason.startswith(NEEDS):
            return reading.reason  # the root cause, not the chain that led here
        return f"{NEEDS}{name}: {reading.reason or reading.quality.name.lower()}"

    def doubt(self, name: str) -> str:
        """Return why a reading is doubtful, naming the point that it came from; empty if it is not."""
        reading = self.reading(name)
        if reading.quality is Quality.GOOD:
            return ""
        return reading.reason if name in self.found else f"{name}: {reading.reason or 'uncertain'}"
