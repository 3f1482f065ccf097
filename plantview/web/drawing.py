"""The schematic as one static SVG; drawn once per view, then patched in the browser by ``assets/live.js``."""

from __future__ import annotations

import asyncio
import re
from typing import Final

from starlette.datastructures import QueryParams
from starlette.requests import Request
from starlette.responses import Response

from plantview.clock import local_text
from plantview.model.plant import Plant
from plantview.web.answers import Problem
from plantview.web.asked import whole
from plantview.web.frame_view import FrameView
from plantview.web.schematic import draw, loop_drawing, machine_drawing
from plantview.web.schematic.filling import Moment
from plantview.web.schematic.legible import INCHES, least_px
from plantview.web.schematic.sheet_alone import THEMES, stand_alone

ORIENTATIONS = ("wall", "phone", "screen")
SYSTEMS: Final = ("si", "ip")
LEVELS: Final = ("plant", "loop", "machine")
KEPT_MAX: Final = 200
"""Drawings kept; a plant has fewer loops and machines than this."""

DISTANCE_M: Final = (3, 1, 12)
SCREEN_INCHES: Final = (INCHES, 10, 400)
"""Usual, least and most."""

Key = tuple[str, str, str, float, tuple[str, ...]]


class Drawing:
    """Answers ``/schematic.svg``: ``orientation=wall|phone|screen``, or ``level=loop|machine`` with ``id``.

    On a ``screen`` that nobody scrolls, ``distance`` in metres and ``inches`` of diagonal decide what fits.

    With ``filled=1`` it is a file of its own that holds the values of this moment; ``units`` and ``theme`` choose how.
    """

    def __init__(self, view: FrameView) -> None:
        self._view = view
        self._drawn: dict[Key, str] = {}

    async def answer(self, request: Request) -> Response:
        """Return the drawing; drawn again only when the plant has other signals than before."""
        query = request.query_params
        orientation, level, name = query.get("orientation", "wall"), query.get("level", "plant"), query.get("id", "")
        if orientation not in ORIENTATIONS:
            raise Problem(400, f"no drawing '{orientation[:20]}'", f"use orientation={' or '.join(ORIENTATIONS)}")
        if level not in LEVELS:
            raise Problem(400, f"no level '{level[:20]}'", f"use level={' or '.join(LEVELS)}")
        name = _existing(self._view.plant, level, name)
        least = least_px(whole(request, "distance", *DISTANCE_M), whole(request, "inches", *SCREEN_INCHES))
        key = orientation, level, name, least, tuple(self._view.signals)
        if key not in self._drawn:
            text = await asyncio.to_thread(self._draw, *key[:4])
            held = {old: svg for old, svg in self._drawn.items() if old[4] == key[4]}
            self._drawn = (held if len(held) < KEPT_MAX else {}) | {key: text}
        if query.get("filled", "") not in {"", "0"}:
            return await self._filled(query, self._drawn[key], "-".join(filter(None, (level, name))))
        return Response(self._drawn[key], media_type="image/svg+xml")

    async def _filled(self, query: QueryParams, drawing: str, what: str) -> Response:
        """Return the drawing with the values of this moment, to be saved under a name that says plant and time."""
        plant = self._view.plant
        system, theme = query.get("units", plant.units), query.get("theme", "light")
        for asked, known, word in ((system, SYSTEMS, "units"), (theme, THEMES, "theme")):
            if asked not in known:
                raise Problem(400, f"no {word} '{asked[:20]}'", f"use {word}={' or '.join(known)}")
        moment = moment_of(self._view, system)
        text = await asyncio.to_thread(stand_alone, drawing, plant, moment, theme)
        at = re.sub("[^0-9]+", "-", local_text(moment.at_ms, plant.zone)[:19])
        name = re.sub("[^A-Za-z0-9._-]+", "-", f"{plant.id}-{what}-{at}.svg")
        headers = {"cache-control": "no-store", "content-disposition": f'inline; filename="{name}"'}
        return Response(text, media_type="image/svg+xml", headers=headers)

    def _draw(self, orientation: str, level: str, name: str, least: float) -> str:
        plant, signals = self._view.plant, self._view.signals
        if level == "loop":
            return loop_drawing(plant, signals, name)
        if level == "machine":
            return machine_drawing(plant, name, signals)
        return draw(plant, signals, orientation, least)


def moment_of(view: FrameView, system: str) -> Moment:
    """Return what may be shown now."""
    return Moment(
        view.now_ms(),
        view.signals,
        {name: view.reading(name) for name in view.readings},
        dict(view.conditions),
        dict(view.flows),
        tuple(view.alarms.get("active", ())),
        view.link().ok,
        system,
    )


def _existing(plant: Plant, level: str, name: str) -> str:
    """Return the loop or machine to draw: the first where none is named; Problem for one that does not exist."""
    known = {"loop": tuple(plant.loops), "machine": tuple(plant.equipment)}.get(level)
    if known is None:
        return ""
    if name and name not in known:
        raise Problem(404, f"no {level} '{name[:40]}' in this plant", f"use one of: {', '.join(known[:8])}")
    return name or known[0]
