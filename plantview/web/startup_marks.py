"""Markers of people among the lines of the alarm journal, so that every trend shows them as it shows events."""

from __future__ import annotations

from typing import Any, Final

from plantview.channel.client import ChannelClient
from plantview.web.answers import Problem
from plantview.web.field_asks import ask_field

MARKS_MAX: Final = 200
MARK: Final = "MARK"


async def with_markers(
    client: ChannelClient, rows: list[dict[str, Any]], from_ms: int = 0, to_ms: int = 0
) -> list[dict[str, Any]]:
    """Return journal lines and markers, newest first; without an answer about markers the lines alone.

    ``from_ms`` and ``to_ms`` bound the markers as a search bounds the lines: 0 is no bound.
    """
    wanted = {"kinds": ["marker"], "limit": MARKS_MAX, "from_ms": from_ms, **({"to_ms": to_ms} if to_ms else {})}
    try:
        found = (await ask_field(client, "startup_events", wanted))["rows"]
    except Problem:
        return rows
    return sorted([*rows, *map(_line, found)], key=lambda row: -row["at_ms"])


def _line(marker: dict[str, Any]) -> dict[str, Any]:
    return {
        "seq": -marker["seq"],  # lines of the journal count up from 1
        "at_ms": marker["at_ms"],
        "kind": "EVENT",
        "alarm": MARK,
        "equipment": "",
        "before": "",
        "after": "",
        "priority": 0,
        "person": marker["person"],
        "text": f"{MARK}: {marker['text']}",
        "annunciated": False,
    }
