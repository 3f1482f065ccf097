"""``/alarms/journal``: everything that happened to alarms, searched and exported."""

from __future__ import annotations

from typing import Any, Final

from dash import html

from plantview.web.attributes import attributes
from plantview.web.frame_view import FrameView
from plantview.web.pages.alarm_links import alarm_links
from plantview.web.pages.tables import table

COLUMNS: Final = ("Time", "Priority", "Equipment", "Change", "Alarm", "Person", "Rule")


def layout(_view: FrameView) -> list[Any]:
    """Return the page."""
    return [
        html.H2("Alarm journal"),
        alarm_links(),
        html.Div(
            id="journal-tools", role="search", className="acknowledge", **attributes(aria_label="Search the journal")
        ),
        html.P(id="journal-answer", role="status", className="summary"),
        table("lines", "Journal, newest first", COLUMNS),
        html.Div(id="journal-more", className="acknowledge"),
    ]
