"""The drawing drawn anew by a server callback: every element a component, every value in its place.

Usage: python tests/bench/web_redraw.py PLANT_DIR. It prints its port and serves until standard input ends.
"""

from __future__ import annotations

import asyncio
import socket
import sys
from pathlib import Path
from typing import Any, cast
from xml.etree import ElementTree as ET

sys.path.insert(0, str(Path(__file__).resolve().parents[2]))

import uvicorn
from dash import Dash, Input, Output, dcc, html
from dash.development.base_component import Component
from fastapi import FastAPI

from plantview.config import load_plant
from plantview.model.signal import signal_of
from plantview.web.schematic import loop_drawing
from tests.bench.web_plant import LOOP

OUTPUT, INPUT = "drawing.children", {"id": "beat", "property": "n_intervals"}


class Element(Component):
    """An SVG element."""

    def __init__(self, kind: str, attributes: dict[str, str], children: Any) -> None:
        self._prop_names = self.available_properties = ["children", *attributes]
        # the namespace of Dash's own elements: another name would cost an import per attribute
        self._type, self._namespace, self._valid_wildcard_attributes = kind, "dash_html_components", ["data-", "aria-"]
        self.available_wildcard_properties = ["data-", "aria-"]
        super().__init__(children=children, **attributes)  # type: ignore[no-untyped-call]


def drawn(element: ET.Element, values: dict[str, str], inside: str = "") -> Element:
    """Return an element and all below it; ``inside`` is the value whose number it may be."""
    inside = element.get("data-signal", inside)
    words = element.text
    if inside and element.get("class") == "number":
        words = values[inside]
    below = [drawn(each, values, inside) for each in element]
    attributes = {name.rpartition("}")[2]: told for name, told in element.attrib.items() if name != "id"}
    return Element(element.tag.rpartition("}")[2], attributes, below or words)


def application(folder: Path) -> FastAPI:
    """Return a Dash application whose one callback returns the drawing."""
    plant = load_plant(folder)
    signals = {name: signal_of(point) for name, point in plant.points.items()}
    sheet = ET.fromstring(loop_drawing(plant, signals, LOOP))  # noqa: S314 - our own drawing
    dash = Dash("redraw", server=cast("Any", FastAPI()), serve_locally=True)
    dash.layout = html.Div([dcc.Interval(id="beat"), html.Div(id="drawing")])

    @dash.callback(Output("drawing", "children"), Input("beat", "n_intervals"))
    async def redraw(beat: int) -> Any:
        return drawn(sheet, {name: f"{40 + (beat + place) % 97 / 8:.1f}" for place, name in enumerate(signals)})

    return cast("FastAPI", dash.server)


async def main(folder: Path) -> None:
    """Serve until standard input ends."""
    server = uvicorn.Server(uvicorn.Config(application(folder), log_level="error", access_log=False))
    listener = socket.create_server(("127.0.0.1", 0))
    serving = asyncio.create_task(server.serve(sockets=[listener]))
    print(listener.getsockname()[1], flush=True)
    await asyncio.to_thread(sys.stdin.read)
    server.should_exit = True
    await serving


if __name__ == "__main__":
    asyncio.run(main(Path(sys.argv[1])))
