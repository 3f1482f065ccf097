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
NETWORK_COLUMNS: Final = ("Network", "Devices", "Load", "Notice")


def layout(_view: FrameView) -> list[Any]:
    """Return the page."""
    return [
        html.H2("Devices"),
        html.P(id="device-count", className="summary"),
        table("devices", "Devices and how they answer; a device opens to its last exchanges", COLUMNS),
        html.P(id="history-trouble", className="summary", role="status"),
        html.H3("Networks"),
        table("networks", "Networks and what polling costs them", NETWORK_COLUMNS),
    ]
