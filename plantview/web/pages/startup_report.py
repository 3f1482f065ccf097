"""``/startup/report``: from enable to stable supply per start, and from order to proof per machine."""

from __future__ import annotations

from typing import Any, Final

from dash import html

from plantview.web.frame_view import FrameView
from plantview.web.pages.past import past_only
from plantview.web.pages.startup_links import startup_links
from plantview.web.pages.tables import table

STARTS: Final = (
    "Chiller", "Enabled", "CHW flow", "CW flow", "Run", "Stable", "Overshoot", "Least approach", "State",
)  # fmt: skip
TIMES: Final = ("Machine", "Order", "Proof", "Last", "Known within", "Longest of 10", "Limit", "Verdict", "Starts")


def layout(view: FrameView) -> list[Any]:
    """Return the page; where no device is asked, the way to what was noted."""
    if elsewhere := past_only(view, "/past/startup"):
        return elsewhere
    return [
        html.Div([html.H2("Start-up report"), startup_links()], className="startup-head"),
        html.Div(id="report-tools", role="group", className="startup-tools"),
        html.P(id="report-answer", className="summary", role="status"),
        html.H3("From enable to stable supply (CHWS)"),
        table("starts", "Starts, newest first", STARTS),
        html.H3("From order to proof"),
        table("times", "Times from order to proof", TIMES),
    ]
