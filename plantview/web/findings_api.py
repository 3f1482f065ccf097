"""Findings about the identity of points, and the offset table: read, decided upon, exported; nothing here is applied."""

from __future__ import annotations

import csv
import io
from typing import Any, Final

from fastapi import APIRouter
from starlette.requests import Request
from starlette.responses import Response

from plantview.channel.client import ChannelClient
from plantview.clock import local_text, utc_text
from plantview.units import shown, unit
from plantview.web.access.gate import KEY_PREFIX, person_of
from plantview.web.acting import acting
from plantview.web.answers import Json, Problem
from plantview.web.asked import json_object, words
from plantview.web.field_asks import ask_field
from plantview.web.frame_view import FrameView
from plantview.web.routes import FINDING_DECIDE, FINDINGS, OFFSETS_FILE, THERMOMETER

NAME_MAX: Final = 400
TEXT_MAX: Final = 500
PROPOSAL_MAX: Final = 20
READING_MAX: Final = 1_000.0
COLUMNS: Final = (
    "point", "label", "compared_utc", "compared_local", "place", "apart_K", "thermometer_utc", "thermometer_C", "sensor_C",
    "by", "note", "proposed", "accepted", "unit",
)  # fmt: skip
_FORMULA: Final = ("=", "+", "-", "@", "\t", "\r")
"""A text cell that begins so would be worked out by a spreadsheet."""


class FindingsApi:
    """Answers by asking the field process."""

    def __init__(self, view: FrameView, client: ChannelClient) -> None:
        self._view, self._client = view, client

    def router(self) -> APIRouter:
        """Return the routes."""
        router = APIRouter()
        router.add_api_route(FINDINGS, self.findings, methods=["GET"])
        router.add_api_route(OFFSETS_FILE, self.offsets_file, methods=["GET"])
        router.add_api_route(FINDING_DECIDE, self.decide, methods=["POST"])
        router.add_api_route(THERMOMETER, self.thermometer, methods=["POST"])
        return router

    async def findings(self, _request: Request) -> Response:
        """Return open findings with evidence and the lines to change, decisions, and the offset table."""
        body = await ask_field(self._client, "findings", {})
        for row in body["open"]:
            for proposal in row["finding"]["proposals"]:
                for each in proposal["evidence"]:
                    each["shown"] = {system: _in_words(each, system) for system in ("si", "ip")}
        return Json(body)

    async def decide(self, request: Request) -> Response:
        """Take ``{"finding", "decision": "accept" or "right", "proposal", "reason", "person"}``."""
        body = json_object(await request.body())
        proposal = body.get("proposal", 0)
        if not isinstance(proposal, int) or isinstance(proposal, bool) or not 0 <= proposal < PROPOSAL_MAX:
            raise Problem(400, "'proposal' must be the number of a correction", "count them from 0")
        asked = {
            "finding": words(body, "finding", NAME_MAX, required=True),
            "decision": words(body, "decision", 20, required=True),
            "reason": words(body, "reason", TEXT_MAX, required=False),
            "proposal": proposal,
            "person": _person(request, body),
        }
        return Json(await ask_field(self._client, "finding_decide", asked))

    async def thermometer(self, request: Request) -> Response:
        """Keep ``{"point", "value", "unit": "degC" or "degF", "note", "person"}`` beside what the sensor reads now."""
        body = json_object(await request.body())
        value = body.get("value")
        if not isinstance(value, int | float) or isinstance(value, bool) or not abs(value) < READING_MAX:
            raise Problem(400, "'value' must be a number", "type what the thermometer shows, such as 44.6")
        asked = {
            "point": words(body, "point", NAME_MAX, required=True),
            "value": value,
            "unit": words(body, "unit", 10, required=True),
            "note": words(body, "note", TEXT_MAX, required=False),
            "person": _person(request, body),
        }
        return Json(await ask_field(self._client, "thermometer", asked))

    async def offsets_file(self, _request: Request) -> Response:
        """Return the offset table as CSV."""
        table = (await ask_field(self._client, "findings", {}))["offsets"]
        written = io.StringIO()
        out = csv.writer(written)
        out.writerow(COLUMNS)
        for row in table["rows"]:
            read = row["thermometer"] or {}
            compared, at = self._times(row["compared_ms"]), self._times(read.get("at_ms"))[:1]
            numbers = (read.get(name) for name in ("thermometer_c", "sensor_c"))
            cells = (row["point"], row["label"], *compared, row["place"], row["apart_k"], *at, *numbers, read.get("person", ""),
                     read.get("note", ""), row["proposed"], row["accepted"], row["unit"])  # fmt: skip
            out.writerow([_safe(cell) for cell in cells])
        name = f"{self._view.plant.id}-offsets.csv"
        headers = {"content-disposition": f'attachment; filename="{name}"'}
        return Response("\ufeff" + written.getvalue(), media_type="text/csv; charset=utf-8", headers=headers)

    def _times(self, at_ms: int | None) -> tuple[str, str]:
        return ("", "") if at_ms is None else (utc_text(at_ms), local_text(at_ms, self._view.plant.zone))


def _person(request: Request, body: dict[str, Any]) -> str:
    """Return who decides: a person, never a key of a program."""
    if person_of(request.scope).name.startswith(KEY_PREFIX):
        raise Problem(403, "a key of a program decides nothing", "sign in as a person")
    return acting(request, body)


def _safe(cell: object) -> object:
    return f"'{cell}" if isinstance(cell, str) and cell.startswith(_FORMULA) else cell


def _in_words(evidence: dict[str, Any], system: str) -> dict[str, str]:
    """Return the numbers of one balance as a viewer of a unit system reads them."""
    quantity = evidence["quantity"]
    quantity = "heat_flow" if quantity == "heat_flow" and system == "si" else quantity
    target, _ = shown(quantity, system)
    texts = {}
    for name in ("before", "after", "low", "high"):
        value = evidence[name]
        texts[name] = "" if value is None else f"{target.from_canonical(value):.4g}"
    return {**texts, "unit": unit(target.name, quantity).label}
