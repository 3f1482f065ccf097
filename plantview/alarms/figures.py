"""How the alarms do as a whole: load, floods, chattering, fleeting and stale alarms, the ten most frequent.

Counted are annunciations, not changes of state. Definitions: a flood begins with a ten-minute bin of
ten or more annunciations and ends with the first bin of fewer than five; chattering is three or more
annunciations of one alarm within 60 s; fleeting, active for less than 10 s without an act of a person;
stale, active for more than 24 h. The goals are those of ISA-18.2 and EEMUA 191 (from memory); the load
of a plant without a full-time operator is our own.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any, Final

from plantview.alarms import journal

BIN_MS: Final = 600_000
HOUR_MS: Final = 3_600_000
DAY_MS: Final = 86_400_000
FLOOD_BEGINS: Final = 10
FLOOD_ENDS_BELOW: Final = 5
CROWDED: Final = 10
CHATTER_COUNT: Final = 3
CHATTER_MS: Final = 60_000
FLEETING_MS: Final = 10_000
STALE_MS: Final = DAY_MS
TOP: Final = 10
_ENDS: Final = frozenset({journal.RTN, journal.SUPPRESS, journal.COVERED, journal.OOS, journal.CLOSED})


@dataclass(frozen=True, slots=True)
class Line:
    """What the figures need of a journal line."""

    at_ms: int
    kind: str
    alarm: str
    priority: int
    person: str
    annunciated: bool


@dataclass(slots=True)
class _Story:
    """One alarm through the period."""

    called_ms: list[int] = field(default_factory=list)
    active_from_ms: int | None = None
    touched: bool = False
    fleeting: int = 0
    longest_ms: int = 0

    def take(self, line: Line) -> None:
        self.touched = self.touched or bool(line.person)
        if line.annunciated:
            self.called_ms.append(line.at_ms)
            if self.active_from_ms is None:
                self.active_from_ms, self.touched = line.at_ms, False
        elif line.kind in _ENDS and self.active_from_ms is not None:
            lasted_ms = line.at_ms - self.active_from_ms
            self.fleeting += line.kind == journal.RTN and lasted_ms < FLEETING_MS and not self.touched
            self.longest_ms = max(self.longest_ms, lasted_ms)
            self.active_from_ms = None

    def finish(self, to_ms: int) -> None:
        if self.active_from_ms is not None:
            self.longest_ms = max(self.longest_ms, to_ms - self.active_from_ms)

    @property
    def chatters(self) -> bool:
        pairs = zip(self.called_ms, self.called_ms[CHATTER_COUNT - 1 :], strict=False)
        return any(last - first <= CHATTER_MS for first, last in pairs)


def figures(lines: Sequence[Line], from_ms: int, to_ms: int) -> dict[str, Any]:
    """Return the figures of a period, ready for JSON.

    Parameters
        lines    journal lines of the period, oldest first
        from_ms  begin of the period, UTC ms
        to_ms    end of the period, UTC ms; ValueError if it is not later
    """
    if to_ms <= from_ms:
        raise ValueError("the period ends before it begins")
    called = [line for line in lines if line.annunciated]
    bins = _bins(called, from_ms, to_ms)
    stories = _stories(lines, to_ms)
    counts = Counter({name: len(story.called_ms) for name, story in stories.items() if story.called_ms})
    top = sorted(counts.items(), key=lambda item: (-item[1], item[0]))[:TOP]
    total = len(called)
    days = (to_ms - from_ms) / DAY_MS
    mix = Counter(line.priority for line in called)
    return {
        "from_ms": from_ms,
        "to_ms": to_ms,
        "total": total,
        "per_day": total / days,
        "per_hour": total / days / 24,
        "per_10_min": total / days / 144,
        "crowded_pct": _share(sum(count > CROWDED for count in bins), len(bins)),
        "peak_10_min": max(bins),
        "floods": _floods(bins, from_ms),
        "different": len(counts),
        "top": [{"alarm": name, "count": count, "pct": _share(count, total)} for name, count in top],
        "top_pct": _share(sum(count for _, count in top), total),
        "chattering": sorted(name for name, story in stories.items() if story.chatters),
        "fleeting": sorted(name for name, story in stories.items() if story.fleeting),
        "stale": sorted(name for name, story in stories.items() if story.longest_ms > STALE_MS),
        "mix_pct": {str(priority): _share(mix[priority], total) for priority in (1, 2, 3, 4)},
    }


def _share(part: float, whole: float) -> float:
    return 100.0 * part / whole if whole else 0.0


def _bins(called: Iterable[Line], from_ms: int, to_ms: int) -> list[int]:
    bins = [0] * -((from_ms - to_ms) // BIN_MS)
    for line in called:
        if from_ms <= line.at_ms < to_ms:
            bins[(line.at_ms - from_ms) // BIN_MS] += 1
    return bins


def _floods(bins: Sequence[int], from_ms: int) -> list[dict[str, int | None]]:
    floods: list[dict[str, int | None]] = []
    count: int | None = None
    for number, here in enumerate(bins):
        at_ms = from_ms + number * BIN_MS
        if count is None and here >= FLOOD_BEGINS:
            floods.append({"from_ms": at_ms, "to_ms": None, "count": 0})
            count = 0
        if count is not None and here < FLOOD_ENDS_BELOW:
            floods[-1]["to_ms"] = at_ms
            count = None
        elif count is not None:
            count += here
            floods[-1]["count"] = count
    return floods


def _stories(lines: Iterable[Line], to_ms: int) -> Mapping[str, _Story]:
    stories: dict[str, _Story] = {}
    for line in lines:
        if line.alarm:
            stories.setdefault(line.alarm, _Story()).take(line)
    for story in stories.values():
        story.finish(to_ms)
    return stories
