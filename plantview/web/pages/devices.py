"""``/devices``: how the polling of each device does."""

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
    "Requests",
    "Failures",
    "Skipped",
    "Last failure",
)


def layout(_view: FrameView) -> list[Any]:
    """Return the page."""
    return [
        html.H2("Devices"),
        html.P(id="device-count", className="summary"),
        table("devices", "Devices and how they answer", COLUMNS),
    ]
