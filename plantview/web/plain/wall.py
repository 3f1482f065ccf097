"""``/wall``: the plant on a screen that nobody touches for months.

Read-only and anonymous; nothing to hover over, nothing to scroll. ``?distance=5`` sets the viewing
distance in metres, ``?inches=75`` the screen's diagonal: both decide how much of a large plant is drawn; ``?day=7&night=19`` the hours of the light theme in the plant's own time.
"""

from __future__ import annotations

from html import escape
from typing import Final

import orjson
from starlette.requests import Request
from starlette.responses import Response

from plantview import __version__
from plantview.web.asked import whole
from plantview.web.frame_view import FrameView
from plantview.web.headline import headlines
from plantview.web.plain.armed import armed
from plantview.web.schematic.legible import INCHES

DISTANCE_M: Final = 3
DISTANCE_M_MAX: Final = 12
INCHES_MAX: Final = 400
DAY_HOUR: Final = 7
NIGHT_HOUR: Final = 19
SCRIPTS: Final = ("live.js", "live_drawing.js", "live_headline.js", "plain_wall.js")
STYLES: Final = ("tokens.css", "schematic.css", "plain_wall.css")

PAGE: Final = """<!DOCTYPE html>
<html lang="en" data-zone="{zone}" data-units="{units}" data-theme="dark">
<head><meta charset="utf-8"><meta name="viewport" content="width=device-width, initial-scale=1">
<title>{name}: wall</title><link rel="icon" href="/assets/icon.svg">{styles}</head>
<body class="wall" data-distance="{distance}" data-day="{day}" data-night="{night}" data-inches="{inches}" data-version="{version}">
<main>
<header><h1>{name}</h1>{simulated}<span id="link">CONNECTING</span><time id="clock">--:--:--</time><span id="beat" aria-hidden="true"></span></header>
<div id="no-data" role="alert"></div>
<section id="headline" aria-label="Plant at a glance" data-headline="{headline}"></section>
<div id="schematic"></div>
<section id="alarm-strip" aria-label="Active alarms"></section>
<footer id="health">connecting</footer>
</main>
{scripts}
</body></html>
"""


class WallPage:
    """Writes the page; the scripts of the plant page fill it."""

    def __init__(self, view: FrameView) -> None:
        self._view = view

    async def answer(self, request: Request) -> Response:
        """Return the page; Problem for a distance or an hour that makes no sense."""
        plant = self._view.plant
        told = orjson.dumps(headlines(plant, self._view.signals)).decode()
        text = PAGE.format(
            zone=escape(plant.zone),
            units=escape(plant.units),
            name=escape(plant.name),
            simulated=('<strong class="simulated" id="simulated">SIMULATED</strong>' if plant.simulated else "")
            + ('<strong class="simulated">PRACTICE</strong>' if plant.writes.practice else "")
            + armed(plant),
            headline=escape(told),
            distance=whole(request, "distance", DISTANCE_M, 1, DISTANCE_M_MAX),
            inches=whole(request, "inches", INCHES, 10, INCHES_MAX),
            day=whole(request, "day", DAY_HOUR, 0, 23),
            night=whole(request, "night", NIGHT_HOUR, 0, 24),
            version=escape(__version__),
            styles="".join(f'<link rel="stylesheet" href="/assets/{name}">' for name in STYLES),
            scripts="".join(f'<script src="/assets/{name}"></script>' for name in SCRIPTS),
        )
        return Response(text, media_type="text/html", headers={"cache-control": "no-store"})
