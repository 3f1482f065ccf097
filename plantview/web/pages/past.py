"""``/past``: the drawing at a moment of the past; ``assets/pages_past.js`` moves it through time.

``/past/loop?id=`` and ``/past/machine?id=`` show one loop and one machine the same way. These pages have no live
socket and no act: ``assets/live.js`` does not connect on them.
"""

from __future__ import annotations

from functools import partial
from typing import Any, Final

import orjson
from dash import html

from plantview.web.attributes import attributes
from plantview.web.frame_view import FrameView
from plantview.web.headline import headlines

PACKAGE: Final = (
    "One file to mail: the 24 hours up to this moment at full rate, with alarms, journal, device health and the plant"
    " description without secrets. It opens on any computer with 'plantview open FILE', and no device is needed."
)


def layout(view: FrameView) -> list[Any]:
    """Return the page of the whole plant."""
    told = orjson.dumps(headlines(view.plant, view.signals)).decode()
    headline = html.Section(id="headline", **attributes(data_headline=told, aria_label="Plant at a glance, then"))
    return _page(view, "plant", headline)


def _page(view: FrameView, level: str, *first: Any) -> list[Any]:
    return [
        *moment_shown(view),
        *first,
        levels(view),
        html.Div(id="schematic", **attributes(data_level=level)),
        html.Section(id="past-alarms", **attributes(aria_label="Alarms that stood then")),
        html.Section(
            [html.H2("Evidence package"), html.P(PACKAGE), html.A("Save the package", id="past-package", href="#")],
            className="past-package",
        ),
    ]


def moment_shown(view: FrameView) -> list[Any]:
    """Return what stands above every page of the past: that it is one, and the moment that it shows."""
    mark = [html.Strong("PAST", className="past-mark"), html.Span(id="past-words")]
    return [
        html.Div(mark, id="past-banner", **attributes(aria_label="This page shows the past")),
        html.Section(id="past-control", **attributes(aria_label="Moment shown", data_only=_only(view))),
    ]


def past_only(view: FrameView, page: str = "/past") -> list[Any]:
    """Return the way to the past where no device is asked; nothing where the plant is watched."""
    if not view.hello.get("past_only"):
        return []
    words = "No device is asked here: this is stored history of the plant."
    return [html.P([words, " ", html.A("Look back at it", href=page)], className="past-only")]


def _only(view: FrameView) -> str:
    """Say whether there is nothing but the past: a package or an imported log."""
    return "yes" if view.hello.get("past_only") else ""


def levels(view: FrameView) -> html.Nav:
    """Return the links between the pages of the past; they keep the moment."""
    links = [html.A("whole plant", href="/past", className="past-keep")]
    links += [
        html.A(f"{loop.water} water loop {loop.id}", href=f"/past/loop?id={loop.id}", className="past-keep")
        for loop in view.plant.loops.values()
    ]
    links.append(html.A("start-up notes", href="/past/startup", className="past-keep"))
    return html.Nav(links, className="levels", **attributes(aria_label="Pages of the past"))


loop_layout = partial(_page, level="loop")
machine_layout = partial(_page, level="machine")
