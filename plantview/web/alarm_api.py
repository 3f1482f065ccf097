"""The alarm part of the API: one record, the journal (also as CSV), the figures, and what people do."""

from __future__ import annotations

import csv
import io
from collections.abc import Sequence
from typing import Any, Final

from fastapi import APIRouter
from starlette.requests import Request
from starlette.responses import Response

from plantview.channel.client import ChannelClient
from plantview.clock import local_text, utc_text
from plantview.web.acting import acting, whoever
from plantview.web.answers import Json, Problem
from plantview.web.asked import json_object, moment, whole, words
from plantview.web.field_asks import ask_field
from plantview.web.frame_view import FrameView
from plantview.web.routes import ALARM_ACT, API, NOTICE_TEST
from plantview.web.startup_marks import with_markers

JOURNAL_ROWS_MAX: Final = 500
EXPORT_ROWS_MAX: Final = 20_000
ACT_MAX: Final = 40
TEXT_MAX: Final = 500
ABOUT_MAX: Final = 500
NAME_MAX: Final = 200
DAYS_MAX: Final = 90
SECONDS_MAX: Final = 7 * 86_400
COLUMNS: Final = (
    "line", "time_utc", "time_local", "change", "alarm", "equipment", "priority", "before", "after", "person", "text",
)  # fmt: skip
_FORMULA: Final = ("=", "+", "-", "@", "\t", "\r")
"""A cell that begins so would be worked out by a spreadsheet."""


class AlarmApi:
    """Answers by asking the field process."""

    def __init__(self, view: FrameView, client: ChannelClient) -> None:
        self._view, self._client = view, client

    def router(self) -> APIRouter:
        """Return the routes."""
        router = APIRouter()
        for name in ("record", "journal", "figures", "notices"):
            router.add_api_route(f"{API}/alarms/{name}", getattr(self, name), methods=["GET"])
        router.add_api_route(ALARM_ACT, self.act, methods=["POST"])
        router.add_api_route(NOTICE_TEST, self.notice_test, methods=["POST"])
        return router

    async def record(self, request: Request) -> Response:
        """Return ``?id=ALARM`` with its rule, its first-out group and its last changes."""
        return Json(await ask_field(self._client, "alarm_record", {"alarm": _parameter(request, "id")}))

    async def figures(self, request: Request) -> Response:
        """Return the figures of the last ``?days=N`` with what to do about them."""
        return Json(await ask_field(self._client, "alarm_figures", {"days": whole(request, "days", 1, 1, DAYS_MAX)}))

    async def notices(self, _request: Request) -> Response:
        """Return who is told about alarms by message, and how that went."""
        return Json(await ask_field(self._client, "notices", {}))

    async def journal(self, request: Request) -> Response:
        """Return lines of the journal, newest first; ``?format=csv`` returns them as a file.

        ``search`` part of the text, ``alarm``, ``equipment``, ``from``, ``to``, ``calls=1`` only calls to the crew,
        ``by_design=1`` also what the plant's state suppressed, ``limit``, ``before`` a line number; ``marks=1`` adds
        the markers of people in the same span.
        """
        wanted: dict[str, Any] = {
            "text": _parameter(request, "search"),
            "alarm": _parameter(request, "alarm"),
            "equipment": _parameter(request, "equipment"),
            "from_ms": moment(request, "from", 0),
            "to_ms": moment(request, "to", 0),
            "annunciated": bool(whole(request, "calls", 0, 0, 1)),
            "by_design": bool(whole(request, "by_design", 0, 0, 1)),
        }
        if _parameter(request, "format") == "csv":
            return self._file(await self._all(wanted))
        wanted["limit"] = whole(request, "limit", 100, 1, JOURNAL_ROWS_MAX)
        if "before" in request.query_params:
            wanted["before"] = whole(request, "before", 0, 0, 2**53)
        told = await ask_field(self._client, "journal", wanted)
        if whole(request, "marks", 0, 0, 1):
            told["rows"] = await with_markers(self._client, told["rows"], wanted["from_ms"], wanted["to_ms"])
        return Json(told)

    async def act(self, request: Request) -> Response:
        """Do ``{"act", "about": [alarms], "person", "text", "seconds"}``; the answer says what happened to each."""
        body = json_object(await request.body())
        about, seconds = body.get("about"), body.get("seconds")
        if not isinstance(about, list) or not 0 < len(about) <= ABOUT_MAX or not all(map(_is_name, about)):
            raise Problem(400, f"'about' must be a list of 1 to {ABOUT_MAX} alarms", "name the alarms by their id")
        number = isinstance(seconds, int | float) and not isinstance(seconds, bool) and 0 < seconds <= SECONDS_MAX
        if seconds is not None and not number:
            raise Problem(
                400, "'seconds' must be a number of seconds", f"more than 0 and at most {SECONDS_MAX}, or leave it out"
            )
        person = acting(request, body)
        asked = {
            "act": words(body, "act", ACT_MAX, required=True),
            "about": about,
            "person": person,
            "who": whoever(request, person),
            "text": words(body, "text", TEXT_MAX, required=False),
            "seconds": seconds,
        }
        return Json(await ask_field(self._client, "alarm_act", asked))

    async def notice_test(self, request: Request) -> Response:
        """Send a test message to ``{"receiver"}``; how it went stands in ``notices`` a little later."""
        body = json_object(await request.body())
        receiver = words(body, "receiver", NAME_MAX, required=True)
        return Json(await ask_field(self._client, "notice_test", {"receiver": receiver}))

    async def _all(self, wanted: dict[str, Any]) -> list[dict[str, Any]]:
        rows: list[dict[str, Any]] = []
        before: dict[str, int] = {}
        while len(rows) < EXPORT_ROWS_MAX:
            page = (await ask_field(self._client, "journal", {**wanted, "limit": JOURNAL_ROWS_MAX, **before}))["rows"]
            rows += page
            numbers = [row["seq"] for row in page if row["seq"]]
            if len(page) < JOURNAL_ROWS_MAX or not numbers:
                break
            before = {"before": min(numbers)}
        return rows[:EXPORT_ROWS_MAX]

    def _file(self, rows: Sequence[dict[str, Any]]) -> Response:
        written = io.StringIO()
        out = csv.writer(written)
        out.writerow(COLUMNS)
        zone = self._view.plant.zone
        for row in rows:
            times = (utc_text(row["at_ms"]), local_text(row["at_ms"], zone))
            cells = (row["seq"], *times, *(row[name] for name in ("kind", "alarm", "equipment", "priority")))
            out.writerow([_safe(cell) for cell in (*cells, row["before"], row["after"], row["person"], row["text"])])
        name = f"{self._view.plant.id}-alarm-journal.csv"
        headers = {"content-disposition": f'attachment; filename="{name}"'}
        return Response("\ufeff" + written.getvalue(), media_type="text/csv; charset=utf-8", headers=headers)


def _safe(cell: object) -> object:
    return f"'{cell}" if isinstance(cell, str) and cell.startswith(_FORMULA) else cell


def _is_name(item: object) -> bool:
    return isinstance(item, str) and 0 < len(item) <= NAME_MAX


def _parameter(request: Request, name: str) -> str:
    text = request.query_params.get(name, "")
    if len(text) > NAME_MAX:
        raise Problem(400, f"'{name}' is longer than {NAME_MAX} characters", f"shorten '{name}'")
    return text
