"""What may be asked of the API: parameters and bodies as JSON Schema, by path. The bounds are those of the code."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any, Final

from plantview.web import alarm_api, api, routes
from plantview.web.access import sign_in
from plantview.web.access.passwords import LENGTH_MAX
from plantview.web.asked import SYSTEMS
from plantview.web.trends_answers import FORMS, POINTS_MAX, WIDTH_MAX


def _text(longest: int, *, some: bool = False) -> dict[str, Any]:
    return {"type": "string", "maxLength": longest, **({"minLength": 1} if some else {})}


def _whole(low: int, high: int) -> dict[str, Any]:
    return {"type": "integer", "minimum": low, "maximum": high}


def _body(required: Sequence[str], **fields: Mapping[str, Any]) -> dict[str, Any]:
    return {"required": list(required), "properties": fields}


_MOMENT: Final = {"oneOf": [{"type": "string", "format": "date-time"}, {"type": "integer", "minimum": 0}]}
_UNITS: Final = {"name": "units", "schema": {"enum": list(SYSTEMS), "default": SYSTEMS[0]}}
_SECRET: Final = _text(LENGTH_MAX, some=True)
QUERIES: Final[Mapping[str, Sequence[Mapping[str, Any]]]] = {
    f"{routes.API}/values": (_UNITS, {"name": "point", "schema": {"type": "string"}}),
    f"{routes.API}/alarms": ({"name": "journal", "schema": _whole(0, api.JOURNAL_ROWS_MAX)},),
    f"{routes.API}/history": (
        {
            "name": "point",
            "required": True,
            "schema": {"type": "array", "items": {"type": "string"}, "minItems": 1, "maxItems": POINTS_MAX},
        },
        {"name": "from", "schema": _MOMENT},
        {"name": "to", "schema": _MOMENT},
        {"name": "width", "schema": _whole(0, WIDTH_MAX)},
        {"name": "form", "schema": {"enum": list(FORMS), "default": FORMS[0]}},
        _UNITS,
    ),
    f"{routes.API}/alarms/record": ({"name": "id", "required": True, "schema": _text(alarm_api.NAME_MAX)},),
    f"{routes.API}/alarms/figures": ({"name": "days", "schema": _whole(1, alarm_api.DAYS_MAX)},),
    f"{routes.API}/alarms/journal": (
        *({"name": name, "schema": _text(alarm_api.NAME_MAX)} for name in ("search", "alarm", "equipment")),
        *({"name": name, "schema": _MOMENT} for name in ("from", "to")),
        *({"name": name, "schema": _whole(0, 1)} for name in ("calls", "by_design")),
        {"name": "limit", "schema": _whole(1, alarm_api.JOURNAL_ROWS_MAX)},
        {"name": "before", "schema": _whole(0, 2**53)},
        {"name": "format", "schema": {"enum": ["json", "csv"]}},
    ),
}
BODIES: Final[Mapping[str, Mapping[str, Any]]] = {
    routes.ACKNOWLEDGE: _body(
        ["id"],
        id=_text(alarm_api.NAME_MAX, some=True),
        person=_text(40),
        comment=_text(api.COMMENT_MAX),
    ),
    routes.ALARM_ACT: _body(
        ["act", "about"],
        act=_text(40, some=True),
        about={
            "type": "array",
            "items": _text(alarm_api.NAME_MAX, some=True),
            "minItems": 1,
            "maxItems": alarm_api.ABOUT_MAX,
        },
        person=_text(40),
        text=_text(alarm_api.TEXT_MAX),
        seconds={"type": ["number", "null"], "exclusiveMinimum": 0, "maximum": alarm_api.SECONDS_MAX},
    ),
    routes.NOTICE_TEST: _body(["receiver"], receiver=_text(alarm_api.NAME_MAX, some=True)),
    routes.SESSION_BEGIN: _body(["name", "password"], name=_text(sign_in.NAME_MAX, some=True), password=_SECRET),
    routes.SESSION_CONFIRM: _body(["password"], password=_SECRET),
    routes.SESSION_PASSWORD: _body(["old", "new"], old=_SECRET, new=_SECRET),
    routes.SESSIONS_END: _body([], session=_text(sign_in.SESSION_ID_MAX), name=_text(sign_in.NAME_MAX)),
}
