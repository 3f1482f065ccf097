"""The schematic as one static SVG; drawn once per orientation, then patched in the browser by ``assets/live.js``."""

from __future__ import annotations

import asyncio

from starlette.requests import Request
from starlette.responses import Response

from plantview.web.answers import Problem
from plantview.web.frame_view import FrameView
from plantview.web.schematic import draw

ORIENTATIONS = ("wall", "phone")


class Drawing:
    """Answers ``/schematic.svg?orientation=wall|phone``."""

    def __init__(self, view: FrameView) -> None:
        self._view = view
        self._drawn: dict[tuple[str, tuple[str, ...]], str] = {}

    async def answer(self, request: Request) -> Response:
        """Return the drawing; drawn again only when the plant has other signals than before."""
        orientation = request.query_params.get("orientation", "wall")
        if orientation not in ORIENTATIONS:
            raise Problem(400, f"no drawing '{orientation[:20]}'", f"use orientation={' or '.join(ORIENTATIONS)}")
        key = orientation, tuple(self._view.signals)
        if key not in self._drawn:
            text = await asyncio.to_thread(draw, self._view.plant, self._view.signals, orientation)
            self._drawn = {held: svg for held, svg in self._drawn.items() if held[1] == key[1]} | {key: text}
        return Response(self._drawn[key], media_type="image/svg+xml")
