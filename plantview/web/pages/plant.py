"""``/``: the headline numbers, the drawing of the plant, the alarms; ``assets/live.js`` fills all three."""

from __future__ import annotations

from typing import Any

import orjson
from dash import html

from plantview.web.attributes import attributes
from plantview.web.frame_view import FrameView
from plantview.web.headline import headlines


def layout(view: FrameView) -> list[Any]:
    """Return the page."""
    told = orjson.dumps(headlines(view.plant, view.signals)).decode()
    return [
        html.Section(id="headline", **attributes(data_headline=told, aria_label="Plant at a glance")),
        html.Div(id="schematic"),
        html.Section(id="alarm-strip", **attributes(aria_label="Active alarms")),
    ]
