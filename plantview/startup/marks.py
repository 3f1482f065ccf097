"""What people mark: a moment with a text and a name."""

from __future__ import annotations

from typing import Final

from plantview.startup.event import PERSON, Event

TEXT_MAX: Final = 200
USUAL: Final = "mark"


def marker(at_ms: int, text: str, person: str) -> Event:
    """Return a marker; without a text it is just a mark."""
    return Event(at_ms, 0, 0, PERSON, "marker", "", text=text.strip()[:TEXT_MAX] or USUAL, person=person)
