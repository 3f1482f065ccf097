"""``/alarms``: what is active and who has seen it; below, what happened."""

from __future__ import annotations

from typing import Any, Final

from dash import html

from plantview.web.frame_view import FrameView
from plantview.web.pages.tables import table

ACTIVE: Final = ("Priority", "Since", "Equipment", "Alarm", "State", "Do", "Acknowledge")
JOURNAL: Final = ("Time", "Equipment", "Change", "Alarm", "Person", "Rule")


def layout(_view: FrameView) -> list[Any]:
    """Return the page."""
    return [
        html.H2("Alarms"),
        html.P(id="alarm-count", className="summary"),
        html.Div(
            [
                html.Label("Your initials", htmlFor="initials"),
                html.Span(id="initials-box"),
                html.Label("Comment", htmlFor="comment"),
                html.Span(id="comment-box"),
            ],
            className="acknowledge",
        ),
        html.P(id="acknowledge-answer", role="status", className="summary"),
        table("active", "Active and unacknowledged alarms", ACTIVE),
        html.H2("Journal"),
        html.Label(
            [html.Span(id="by-design-box"), " with what the plant's state suppressed"],
            htmlFor="by-design",
            className="summary",
        ),
        table("journal", "Latest changes, newest first", JOURNAL),
    ]
