"""``/alarms``: what is active and who has seen it; below, what was set aside and the latest changes."""

from __future__ import annotations

from typing import Any, Final

from dash import html

from plantview.web.attributes import attributes
from plantview.web.frame_view import FrameView
from plantview.web.pages.alarm_links import alarm_links
from plantview.web.pages.tables import empty, table

ACTIVE: Final = ("Priority", "Since", "Equipment", "Alarm", "State", "Do", "Acknowledge")
ASIDE: Final = ("Priority", "Equipment", "Alarm", "State", "Reason", "By", "Until", "Put back")
JOURNAL: Final = ("Time", "Equipment", "Change", "Alarm", "Person", "Rule")


def layout(_view: FrameView) -> list[Any]:
    """Return the page."""
    return [
        html.H2("Alarms"),
        alarm_links(),
        html.P(id="alarm-count", className="summary", role="status"),
        html.P(id="alarm-flood", className="flood", hidden=True),
        html.P(id="alarm-trouble", className="flood", role="alert", hidden=True),
        html.Div(
            [
                html.Label("Your initials", htmlFor="initials"),
                html.Span(id="initials-box"),
                html.Label("Comment", htmlFor="comment"),
                html.Span(id="comment-box"),
            ],
            className="acknowledge",
        ),
        html.Div(
            id="alarm-tools", role="group", className="acknowledge", **attributes(aria_label="What the list shows")
        ),
        html.P(id="acknowledge-answer", role="status", className="summary"),
        table("active", "Active and unacknowledged alarms", ACTIVE),
        html.P(id="alarm-keys", className="summary quiet"),
        html.H2("Shelved and out of service", id="aside-title", hidden=True),
        table("aside", "Alarms that a person set aside", ASIDE),
        html.H2("Latest changes"),
        table("journal", "Latest changes, newest first", JOURNAL),
        empty("Nothing has come or gone lately.", "/alarms/journal", "Search the whole journal"),
    ]
