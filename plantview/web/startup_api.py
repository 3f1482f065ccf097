"""The start-up part of the API: events, proofs, markers, fast group, checkout sheet, captures, report; lists also as CSV."""

from __future__ import annotations

from typing import Any, Final

from fastapi import APIRouter
from starlette.requests import Request
from starlette.responses import Response

from plantview.channel.client import ChannelClient
from plantview.web import routes
from plantview.web.acting import acting
from plantview.web.answers import Json, Problem
from plantview.web.asked import json_object, moment, whole, words
from plantview.web.field_asks import ask_field
from plantview.web.frame_view import FrameView
from plantview.web.startup_csv import capture_file, checkout_file, events_file, report_file

NAME_MAX: Final = 200
TEXT_MAX: Final = 200
COMMENT_MAX: Final = 500
ACT_MAX: Final = 20
POINTS_MAX: Final = 60
MINUTES_MAX: Final = 30
ROWS_MAX: Final = 500
EXPORT_ROWS_MAX: Final = 50_000
AMONG_MAX: Final = 40
ASK_REAL_S: Final = 15.0
"""A disk is read for it."""
NUMBER_MAX: Final = 1e12


class StartupApi:
    """Answers by asking the field process."""

    def __init__(self, view: FrameView, client: ChannelClient) -> None:
        self._view, self._client = view, client

    def router(self) -> APIRouter:
        """Return the routes."""
        router = APIRouter()
        for path, answer in (
            (routes.STARTUP_NOW, self.now),
            (routes.STARTUP_EVENTS, self.events),
            (routes.STARTUP_CHECKOUT, self.checkout),
            (routes.STARTUP_CAPTURES, self.captures),
            (routes.STARTUP_REPORT, self.report),
        ):
            router.add_api_route(path, answer, methods=["GET"])
        for path, act in (
            (routes.STARTUP_MARK, self.mark),
            (routes.STARTUP_FAST, self.fast),
            (routes.STARTUP_CHECK, self.check),
        ):
            router.add_api_route(path, act, methods=["POST"])
        return router

    async def now(self, _request: Request) -> Response:
        """Return which proof each machine awaits and for how long yet, and the fast group."""
        return Json(await self._ask("startup", {}))

    async def events(self, request: Request) -> Response:
        """Return the sequence of events, newest first; ``?format=csv`` all of it as a file.

        ``equipment`` and ``kind`` (both may be given several times), ``from``, ``to``, ``limit``; ``before_ms`` with
        ``before_seq`` is the last line of the page before.
        """
        wanted: dict[str, Any] = {
            "equipment": _among(request, "equipment"),
            "kinds": _among(request, "kind"),
            "from_ms": moment(request, "from", 0),
            "to_ms": moment(request, "to", 2**53),
        }
        before = [whole(request, "before_ms", 0, 0, 2**53), whole(request, "before_seq", 0, 0, 2**53)]
        if "before_ms" in request.query_params:
            wanted["before"] = before
        if request.query_params.get("format") == "csv":
            return events_file(self._view.plant, await self._all(wanted))
        wanted["limit"] = whole(request, "limit", 200, 1, ROWS_MAX)
        return Json(await self._ask("startup_events", wanted))

    async def mark(self, request: Request) -> Response:
        """Put a marker: ``{"text", "person"}``."""
        body = json_object(await request.body())
        asked = {"text": words(body, "text", TEXT_MAX, required=False), "person": acting(request, body)}
        return Json(await self._ask("startup_mark", asked))

    async def fast(self, request: Request) -> Response:
        """Choose, extend or end the fast group: ``{"act", "points", "minutes", "person"}``."""
        body = json_object(await request.body())
        points, minutes = body.get("points", []), body.get("minutes", MINUTES_MAX)
        if not isinstance(points, list) or len(points) > POINTS_MAX or not all(map(_is_name, points)):
            raise Problem(400, f"'points' must be a list of at most {POINTS_MAX} point names", "choose fewer points")
        if not _is_number(minutes) or not 0 < minutes <= MINUTES_MAX:
            raise Problem(400, "'minutes' must be a number of minutes", f"more than 0 and at most {MINUTES_MAX}")
        asked = {
            "act": words(body, "act", ACT_MAX, required=True),
            "points": points,
            "minutes": minutes,
            "person": acting(request, body),
        }
        return Json(await self._ask("startup_fast", asked))

    async def checkout(self, request: Request) -> Response:
        """Return the checkout sheet in the units that devices report; ``?format=csv`` as a file."""
        answer = await self._ask("startup_checkout", {})
        if request.query_params.get("format") == "csv":
            return checkout_file(self._view.plant, answer["rows"])
        return Json(answer)

    async def check(self, request: Request) -> Response:
        """Write one line: ``{"point", "hand", "tolerance", "verdict", "comment", "person"}``, numbers as reported."""
        body = json_object(await request.body())
        asked: dict[str, Any] = {
            "point": words(body, "point", NAME_MAX, required=True),
            "verdict": words(body, "verdict", ACT_MAX, required=False),
            "comment": words(body, "comment", COMMENT_MAX, required=False),
            "person": acting(request, body),
        }
        for name in ("hand", "tolerance"):
            value = body.get(name)
            if value is not None and not _is_number(value):
                raise Problem(400, f"'{name}' must be a number or left out", f"correct '{name}'")
            asked[name] = value
        return Json(await self._ask("startup_check", asked))

    async def captures(self, request: Request) -> Response:
        """Return the captures on disk; ``?id=`` one with its samples, ``&format=csv`` that one as a file."""
        name = request.query_params.get("id", "")
        if not name:
            return Json(await self._ask("startup_captures", {}))
        found = await self._ask("startup_capture", {"id": name[:NAME_MAX]})
        if request.query_params.get("format") == "csv":
            return capture_file(self._view.plant, found, self._view.signals)
        return Json(found)

    async def report(self, request: Request) -> Response:
        """Return starts and times from order to proof; ``?format=csv`` as a file."""
        answer = await self._ask("startup_report", {})
        if request.query_params.get("format") == "csv":
            return report_file(self._view.plant, answer)
        return Json(answer)

    async def _all(self, wanted: dict[str, Any]) -> list[dict[str, Any]]:
        rows: list[dict[str, Any]] = []
        while len(rows) < EXPORT_ROWS_MAX:
            page = await self._ask("startup_events", {**wanted, "limit": ROWS_MAX})
            rows += page["rows"]
            if not page["more"]:
                break
            wanted = {**wanted, "before": [rows[-1]["at_ms"], rows[-1]["seq"]]}
        return rows

    async def _ask(self, what: str, body: dict[str, Any]) -> dict[str, Any]:
        return await ask_field(self._client, what, body, ASK_REAL_S)


def _among(request: Request, name: str) -> list[str]:
    found = request.query_params.getlist(name)
    if len(found) > AMONG_MAX or any(len(text) > NAME_MAX for text in found):
        raise Problem(400, f"'{name}' may be given at most {AMONG_MAX} times", f"give fewer '{name}'")
    return [text for text in found if text]


def _is_name(name: object) -> bool:
    return isinstance(name, str) and 0 < len(name) <= NAME_MAX


def _is_number(value: object) -> bool:
    return isinstance(value, int | float) and not isinstance(value, bool) and abs(value) < NUMBER_MAX
