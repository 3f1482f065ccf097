"""``/``: the headline numbers, the drawing of the plant, the alarms; ``assets/live.js`` fills all three.

``/plant/loop?id=`` and ``/plant/machine?id=`` show one loop and one machine the same way.
"""

from __future__ import annotations

from functools import partial
from typing import Any

import orjson
from dash import html

from plantview.web.attributes import attributes
from plantview.web.frame_view import FrameView
from plantview.web.headline import headlines


def layout(view: FrameView) -> list[Any]:
    """Return the page of the whole plant."""
    told = orjson.dumps(headlines(view.plant, view.signals)).decode()
    return [
        html.Section(id="headline", **attributes(data_headline=told, aria_label="Plant at a glance")),
        *_page(view, "plant"),
    ]


def _page(view: FrameView, level: str) -> list[Any]:
    return [
        _levels(view),
        html.Div(id="schematic", **attributes(data_level=level)),
        html.Section(id="alarm-strip", **attributes(aria_label="Active alarms")),
    ]


def _levels(view: FrameView) -> html.Nav:
    """Return the way from any drawing to the others; machines are opened on the drawing itself."""
    links = [html.A("whole plant", href="/")]
    links += [
        html.A(f"{loop.water} water loop {loop.id}", href=f"/plant/loop?id={loop.id}")
        for loop in view.plant.loops.values()
    ]
    return html.Nav(links, className="levels", **attributes(aria_label="Drawings"))


loop_layout = partial(_page, level="loop")
machine_layout = partial(_page, level="machine")
