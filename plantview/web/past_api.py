"""``/api/v1/past``: the plant as it stood at past moments, for the page that looks back and for programs.

The answer holds frames in the form of the live socket, the first whole, the others with what changed; it never
holds anything of the present. There is nothing to post here: the past takes no acts.
"""

from __future__ import annotations

from typing import Any, Final

from fastapi import APIRouter
from starlette.requests import Request
from starlette.responses import Response

from plantview.channel.client import ChannelClient
from plantview.web.answers import Json
from plantview.web.asked import moment, whole
from plantview.web.field_asks import ask_field
from plantview.web.frame_view import FrameView
from plantview.web.routes import PAST, PAST_MOMENTS
from plantview.web.snapshot import describe, turns
from plantview.web.startup_marks import with_markers

COUNT_MAX: Final = 60
STEP_S_MAX: Final = 3_600
DAY_MS: Final = 86_400_000
PAST_ASK_REAL_S: Final = 20.0
"""Files are read for it; a slow disk takes longer than the memory of the field process."""


class PastApi:
    """Answers about past moments."""

    def __init__(self, view: FrameView, client: ChannelClient) -> None:
        self._view, self._client = view, client

    def router(self) -> APIRouter:
        """Return the routes."""
        router = APIRouter()
        router.add_api_route(PAST, self.frames, methods=["GET"])
        router.add_api_route(PAST_MOMENTS, self.moments, methods=["GET"])
        return router

    async def frames(self, request: Request) -> Response:
        """Return what stood at a moment, and at those after it: readings, conditions, flows, alarms.

        ``at`` is the first moment, ``count`` how many, ``step_s`` their distance; the first frame is whole, the
        others hold what changed. ``described=1`` adds how signals are labelled and shown.
        """
        asked = {
            "at_ms": moment(request, "at", self._view.now_ms()),
            "step_s": whole(request, "step_s", 1, 1, STEP_S_MAX),
            "count": whole(request, "count", 1, 1, COUNT_MAX),
        }
        described = whole(request, "described", 0, 0, 1)
        answer = await ask_field(self._client, "past", asked, PAST_ASK_REAL_S)
        return Json({**answer, **(self._described() if described else {})})

    async def moments(self, request: Request) -> Response:
        """Return where history begins and ends, and the calls of alarms and markers of people within a period."""
        to_ms = moment(request, "to", self._view.now_ms() + 1)
        from_ms = moment(request, "from", to_ms - DAY_MS)
        asked = {"from_ms": from_ms, "to_ms": to_ms}
        told = await ask_field(self._client, "past_moments", asked, PAST_ASK_REAL_S)
        return Json({**told, "markers": await with_markers(self._client, [], from_ms, to_ms)})

    def _described(self) -> dict[str, Any]:
        return {
            "zone": self._view.plant.zone,
            "simulated": self._view.plant.simulated,
            "past_only": bool(self._view.hello.get("past_only", False)),
            "turns": turns(),
            "signals": {name: describe(signal) for name, signal in self._view.signals.items()},
        }
