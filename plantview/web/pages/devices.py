"""``/devices``: how the polling of each device does, what it costs, and what was said last."""

from __future__ import annotations

from typing import Any, Final

from dash import html

from plantview.web.frame_view import FrameView
from plantview.web.pages.tables import table

COLUMNS: Final = (
    "Device",
    "Protocol",
    "Address",
    "State",
    "Last answer",
    "Cycle",
    "Load",
    "Requests",
    "Failures",
    "Skipped",
    "Notice or last failure",
)
HISTORY_COLUMNS: Final = ("What", "Now", "Bound or remedy")
NETWORK_COLUMNS: Final = ("Network", "Devices", "Load", "Notice")


def layout(_view: FrameView) -> list[Any]:
    """Return the page."""
    return [
        html.H2("Devices"),
        html.P(id="device-count", className="summary"),
        table("devices", "Devices and how they answer; a device opens to its last exchanges", COLUMNS),
        html.H3("History"),
        html.P(id="history-trouble", className="summary", role="status"),
        table("history-store", "What is kept of all readings, and within which bounds", HISTORY_COLUMNS),
        html.H3("Networks"),
        table("networks", "Networks and what polling costs them", NETWORK_COLUMNS),
    ]
