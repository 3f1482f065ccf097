"""``/startup/captures``: what lay around each trip, five minutes before to two after."""

from __future__ import annotations

from typing import Any, Final

from dash import html

from plantview.web.frame_view import FrameView
from plantview.web.pages.past import past_only
from plantview.web.pages.startup_links import startup_links
from plantview.web.pages.tables import table

COLUMNS: Final = ("Time", "Equipment", "Alarm", "Points", "Samples", "Show", "File")


def layout(view: FrameView) -> list[Any]:
    """Return the page; where no device is asked, the way to what was noted."""
    if elsewhere := past_only(view, "/past/startup"):
        return elsewhere
    return [
        html.Div([html.H2("Captures of trips"), startup_links()], className="startup-head"),
        html.P(
            "Every sample as it was polled, from five minutes before a trip or first-out alarm to two minutes after it. Written with"
            " no page open; the newest 50 are kept.",
            className="summary",
        ),
        html.P(id="captures-answer", className="summary", role="status"),
        table("captures", "Captures, newest first", COLUMNS),
        html.Section(id="capture-shown", hidden=True),
    ]
