"""``/performance``: kW/ton with its make-up, load, heat balance, energy and the gap to the plant's own best."""

from __future__ import annotations

from typing import Any, Final

from dash import html

from plantview.web.attributes import attributes
from plantview.web.frame_view import FrameView

SPANS: Final = {"1": "Day", "7": "7 days", "30": "30 days"}
PARTS: Final = (
    ("performance-groups", "Energy and kW/ton by group"),
    ("performance-curve", "kW/ton over time"),
    ("performance-duration", "Load duration"),
    ("performance-balance", "Heat balance"),
    ("performance-best", "Against its own best"),
    ("performance-rates", "Cost and carbon"),
)


def layout(_view: FrameView) -> list[Any]:
    """Return the page."""
    buttons = [
        html.Button(name, type="button", **attributes(data_days=days, aria_pressed="false"))
        for days, name in SPANS.items()
    ]
    return [
        html.H2("Plant performance"),
        html.Div(buttons, id="performance-span", role="group", **attributes(aria_label="Stretch of time")),
        html.P("Loading", id="performance-said", className="summary", role="status"),
        html.Div(id="performance-total", className="performance-total"),
        html.P(id="performance-unsure", className="summary"),
        html.Div(
            [html.Section([html.H3(title), html.Div(id=name)], className=f"part {name}") for name, title in PARTS],
            className="performance",
        ),
        html.P(id="performance-caution", className="caution"),
    ]
