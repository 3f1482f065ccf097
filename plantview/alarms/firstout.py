"""First-out: which alarm of a group came first, as far as polling can tell.

What two polls saw cannot be ordered more finely than a poll period: two alarms whose
conditions began within it are a tie, unless their devices stamped both events.
The moment that counts is when the condition began, not when the on-delay had passed.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, replace
from typing import Final

MEMBERS_MAX: Final = 500


@dataclass(frozen=True, slots=True)
class Seen:
    """When the condition of one alarm of a group began."""

    alarm: str
    at_ms: int
    """Plant time of the scan that first saw it."""
    period_ms: int
    """Poll period of what it watches."""
    stamp_ms: int | None = None
    """The device's own time of the event, corrected for its clock; None if it gives none."""

    def surely_before(self, other: Seen) -> bool:
        """Return whether it came first beyond doubt: the other may be older by a period than its scan."""
        if self.stamp_ms is not None and other.stamp_ms is not None:
            return self.stamp_ms < other.stamp_ms
        return self.at_ms <= other.at_ms - other.period_ms


@dataclass(frozen=True, slots=True)
class Place:
    """Rank within the group: 1 came first; ``tied`` if the order to another member is unknown."""

    rank: int
    tied: bool


@dataclass(frozen=True, slots=True)
class Episode:
    """One group from its first alarm until it is over."""

    seen: tuple[Seen, ...] = ()

    def with_more(self, seen: Iterable[Seen]) -> Episode:
        """Return the episode with further alarms; one that is known keeps its place."""
        known = {item.alarm for item in self.seen}
        fresh = tuple(item for item in seen if item.alarm not in known)
        return Episode((self.seen + fresh)[:MEMBERS_MAX])

    def shifted(self, step_ms: int) -> Episode:
        """Return the episode as a clock that was stepped would have seen it."""
        return Episode(tuple(replace(item, at_ms=item.at_ms + step_ms) for item in self.seen))

    def places(self) -> dict[str, Place]:
        """Return the rank of each member."""
        return {item.alarm: self._place(item) for item in self.seen}

    def _place(self, item: Seen) -> Place:
        others = [other for other in self.seen if other.alarm != item.alarm]
        before = sum(other.surely_before(item) for other in others)
        after = sum(item.surely_before(other) for other in others)
        return Place(1 + before, before + after < len(others))
