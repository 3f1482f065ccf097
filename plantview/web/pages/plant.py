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
from plantview.web.pages.past import past_only


def layout(view: FrameView) -> list[Any]:
    """Return the page of the whole plant; where no device is asked, the way to its past."""
    if elsewhere := past_only(view):
        return elsewhere
    told = orjson.dumps(headlines(view.plant, view.signals)).decode()
    return [
        html.Section(id="headline", **attributes(data_headline=told, aria_label="Plant at a glance")),
        *_page(view, "plant"),
    ]


def _page(view: FrameView, level: str) -> list[Any]:
    return [
        _levels(view, level),
        html.Div(id="schematic", **attributes(data_level=level)),
        html.Section(id="alarm-strip", **attributes(aria_label="Active alarms")),
    ]


def _levels(view: FrameView, level: str) -> html.Nav:
    """Return the way from any drawing to the others and onto paper; machines are opened on the drawing itself."""
    links: list[Any] = [html.A("whole plant", href="/")]
    links += [
        html.A(f"{loop.water} water loop {loop.id}", href=f"/plant/loop?id={loop.id}")
        for loop in view.plant.loops.values()
    ]
    links.append(html.A("look back", href="/past", title="This drawing at any moment of the past"))
    links.append(
        html.A(
            "save drawing",
            id="drawing-save",
            href=f"/schematic.svg?filled=1&level={level}",
            title="A file of its own with the values of this moment",
            download="",
        )
    )
    links.append(html.Button("print", id="drawing-print", type="button"))
    return html.Nav(links, className="levels", **attributes(aria_label="Drawings"))


loop_layout = partial(_page, level="loop")
machine_layout = partial(_page, level="machine")
