"""``/trends``: chosen values over time; ``assets/trends*.js`` draws, fetches and tells."""

from __future__ import annotations

from typing import Any

import orjson
from dash import html

from plantview.web.attributes import attributes
from plantview.web.frame_view import FrameView
from plantview.web.routes import LIBRARY
from plantview.web.trends_lines import library_version, lines


def layout(view: FrameView) -> list[Any]:
    """Return the page; its scripts find here how each signal is drawn and where the drawing library is."""
    told = {
        "lines": lines(view.plant, view.signals),
        "library": [f"{path}?v={library_version()}" for path in LIBRARY],
        "plant": view.plant.id,
    }
    return [
        html.H2("Trends", className="unseen"),
        html.Div(
            [
                html.Div(id="trend-times", role="group", **attributes(aria_label="Time shown")),
                html.P(id="trend-answer", role="status", className="summary"),
                html.P(id="trend-said", role="status", className="unseen"),
                html.Div(id="trend-chooser", hidden=True),
                html.Div(id="trend-lines", role="group", **attributes(aria_label="Values shown")),
                html.Div(
                    id="trend-plot",
                    tabIndex="0",
                    role="group",
                    **attributes(aria_label="Trend", aria_describedby="trend-keys"),
                ),
                html.P(id="trend-keys", className="summary quiet"),
                html.Div(id="trend-events", hidden=True),
                html.Div(id="trend-table", hidden=True),
            ],
            id="trends",
            **attributes(data_trends=orjson.dumps(told).decode()),
        ),
    ]
