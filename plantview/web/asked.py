"""What a request asks, read with its bounds; anything else is a Problem that names the parameter."""

from __future__ import annotations

from datetime import datetime
from typing import Any, Final

import orjson
from starlette.requests import Request

from plantview.web.answers import Problem

SYSTEMS: Final = ("reported", "si", "ip")


def system_of(request: Request) -> str:
    """Return the unit system that is asked for: as reported, SI or inch-pound."""
    system = request.query_params.get("units", "reported")
    if system not in SYSTEMS:
        raise Problem(400, f"units '{system[:20]}' are not known", f"use one of {', '.join(SYSTEMS)}")
    return system


def whole(request: Request, name: str, default: int, low: int, high: int) -> int:
    """Return a whole number within its bounds."""
    text = request.query_params.get(name, str(default))
    if not text.isdecimal() or not low <= int(text) <= high:
        raise Problem(400, f"'{name}' must be a whole number from {low} to {high}", f"correct '{name}'")
    return int(text)


def moment(request: Request, name: str, default: int) -> int:
    """Return a moment in UTC milliseconds, given so or as an RFC 3339 time."""
    text = request.query_params.get(name)
    if text is None:
        return default
    if text.isdecimal() and len(text) <= 14:
        return int(text)
    try:
        moment = datetime.fromisoformat(text)
    except ValueError:
        moment = None
    if moment is None or moment.tzinfo is None:
        raise Problem(400, f"'{name}' is no moment", "give UTC milliseconds, or a time such as 2026-07-01T14:00:00Z")
    return round(moment.timestamp() * 1_000)


def json_object(raw: bytes) -> dict[str, Any]:
    """Return the JSON object of a body."""
    try:
        body = orjson.loads(raw)
    except orjson.JSONDecodeError:
        body = None
    if not isinstance(body, dict):
        raise Problem(400, "the body is not a JSON object", 'send {"id": …, "person": …, "comment": …}')
    return body


def words(body: dict[str, Any], name: str, longest: int, required: bool) -> str:
    """Return a text of a body, within its length."""
    text = body.get(name, "")
    if not isinstance(text, str) or len(text) > longest or (required and not text.strip()):
        needed = "must be given, as" if required else "must be"
        raise Problem(400, f"'{name}' {needed} text of at most {longest} characters", f"correct '{name}'")
    return text.strip()
