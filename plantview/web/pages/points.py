"""``/points``: every value, measured and derived, with its quality and where it comes from."""

from __future__ import annotations

from typing import Any, Final

from dash import html

from plantview.web.frame_view import FrameView
from plantview.web.pages.tables import table

COLUMNS: Final = ("Equipment", "Measurement", "Value", "Unit", "Quality", "Reason", "Age", "Device", "Address")


def layout(_view: FrameView) -> list[Any]:
    """Return the page."""
    return [
        html.H2("Points"),
        html.Div(
            [
                html.Label("Show only", htmlFor="filter"),
                html.Span(id="filter-box"),
                html.Span(id="point-count", className="summary"),
            ],
            className="filter",
        ),
        table("points", "All values", COLUMNS),
        html.P(
            "No value fits. Words are looked for in name, equipment, measurement, device, address and quality: CH-1, flow, BC-2, stale.",
            id="point-none",
            className="summary",
            hidden=True,
        ),
    ]
