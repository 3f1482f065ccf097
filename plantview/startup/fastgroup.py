"""The fast group: points that somebody chose to have polled at a second or less for a while, seen by everybody."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from typing import Any, Final

from plantview.clock import Clock
from plantview.model.plant import Plant
from plantview.polling import Quickened
from plantview.startup.checkout import Refused

POINTS_MAX: Final = 60
MINUTES_MAX: Final = 30.0
"""It ends by itself; whoever still needs it asks again."""


class FastGroup:
    """One group per plant; ``quicken`` is polling's, which keeps to the budgets."""

    def __init__(self, plant: Plant, clock: Clock, quicken: Callable[[Sequence[str]], Quickened]) -> None:
        self._plant, self._clock, self._quicken = plant, clock, quicken
        self._now = Quickened({}, {})
        self._until_s = 0.0
        self._person = ""

    def choose(self, names: Sequence[str], minutes: float, person: str) -> None:
        """Poll these points fast for so many minutes; refused if none of them can be."""
        wanted = list(dict.fromkeys(names))
        if not 0 < len(wanted) <= POINTS_MAX:
            raise Refused(f"choose 1 to {POINTS_MAX} points")
        unknown = [name for name in wanted if name not in self._plant.points]
        if unknown:
            raise Refused(f"there is no point '{unknown[0][:80]}' that is polled")
        if not 0 < minutes <= MINUTES_MAX:
            raise Refused(f"it lasts more than 0 and at most {MINUTES_MAX:g} minutes; extend it when they are over")
        self._now, self._person = self._quicken(wanted), person
        if not self._now.period_s:
            self._now, refused = Quickened({}, {}), self._now.refused
            raise Refused("; ".join(refused.values()) or "none of these points is polled at present")
        self._until_s = self._clock.monotonic_s() + minutes * 60.0

    def extend(self, person: str) -> None:
        """Give it the whole time again."""
        if not self._now.period_s:
            raise Refused("no point is in the fast group")
        self._until_s, self._person = self._clock.monotonic_s() + MINUTES_MAX * 60.0, person

    def end(self) -> None:
        """Go back to usual polling."""
        if self._now.period_s:
            self._now = self._quicken(())

    def tick(self) -> bool:
        """End it when its time is over; return whether it just ended."""
        if self._now.period_s and self._clock.monotonic_s() >= self._until_s:
            self.end()
            return True
        return False

    def row(self) -> dict[str, Any]:
        """Return it as everybody sees it."""
        left_s = max(0.0, self._until_s - self._clock.monotonic_s()) if self._now.period_s else 0.0
        return {
            "points": dict(self._now.period_s),
            "refused": dict(self._now.refused),
            "left_s": left_s,
            "person": self._person if self._now.period_s else "",
            "points_max": POINTS_MAX,
            "minutes_max": MINUTES_MAX,
        }
