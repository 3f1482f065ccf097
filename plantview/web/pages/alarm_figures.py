"""``/alarms/figures``: how the alarms do as a whole, what to do about it, and who is told by message."""

from __future__ import annotations

from typing import Any, Final

from dash import html

from plantview.web.attributes import attributes
from plantview.web.frame_view import FrameView
from plantview.web.pages.alarm_links import alarm_links
from plantview.web.pages.tables import table

FIGURES: Final = ("Figure", "Measured", "Goal", "Verdict", "What to do")
TOP: Final = ("Alarm", "Calls", "Share", "Marks")
NOTICES: Final = ("Receiver", "By", "Priorities", "Sent", "Waiting", "Lost", "Last sent", "Trouble", "")


def layout(_view: FrameView) -> list[Any]:
    """Return the page."""
    return [
        html.H2("Alarm figures"),
        alarm_links(),
        html.Div(id="figures-tools", role="group", className="acknowledge", **attributes(aria_label="Period")),
        html.P(id="figures-answer", role="status", className="summary"),
        table("figures", "Figures of the period", FIGURES),
        html.H2("The most frequent"),
        html.P(id="top-none", className="summary"),
        table("top", "Alarms that called most often", TOP),
        html.H2("Messages"),
        html.P(id="notices-none", className="summary"),
        table("notices", "Who is told by message", NOTICES),
    ]
