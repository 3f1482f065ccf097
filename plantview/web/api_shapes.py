"""What may be asked of the API: parameters and bodies as JSON Schema, by path. The bounds are those of the code."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any, Final

from plantview.web import alarm_api, api, findings_api, past_api, routes, startup_api
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
_FORMAT: Final = {"name": "format", "schema": {"enum": ["json", "csv"]}}
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
    routes.PAST: (
        {"name": "at", "schema": _MOMENT},
        {"name": "step_s", "schema": _whole(1, past_api.STEP_S_MAX)},
        {"name": "count", "schema": _whole(1, past_api.COUNT_MAX)},
        {"name": "described", "schema": _whole(0, 1)},
    ),
    routes.STARTUP_EVENTS: (
        *(
            {
                "name": name,
                "schema": {"type": "array", "items": _text(startup_api.NAME_MAX), "maxItems": startup_api.AMONG_MAX},
            }
            for name in ("equipment", "kind")
        ),
        *({"name": name, "schema": _MOMENT} for name in ("from", "to")),
        *({"name": name, "schema": _whole(0, 2**53)} for name in ("before_ms", "before_seq")),
        {"name": "limit", "schema": _whole(1, startup_api.ROWS_MAX)},
        _FORMAT,
    ),
    routes.STARTUP_CHECKOUT: (_FORMAT,),
    routes.STARTUP_CAPTURES: ({"name": "id", "schema": _text(startup_api.NAME_MAX)}, _FORMAT),
    routes.STARTUP_REPORT: (_FORMAT,),
    routes.EQUIPMENT: ({"name": "id", "schema": _text(100)},),
    routes.PERFORMANCE: ({"name": "days", "schema": {"enum": [1, 7, 30]}},),
    routes.EVIDENCE: tuple({"name": name, "schema": _MOMENT} for name in ("from", "to")),
    routes.PAST_MOMENTS: tuple({"name": name, "schema": _MOMENT} for name in ("from", "to")),
    f"{routes.API}/alarms/record": ({"name": "id", "required": True, "schema": _text(alarm_api.NAME_MAX)},),
    f"{routes.API}/alarms/figures": ({"name": "days", "schema": _whole(1, alarm_api.DAYS_MAX)},),
    f"{routes.API}/alarms/journal": (
        *({"name": name, "schema": _text(alarm_api.NAME_MAX)} for name in ("search", "alarm", "equipment")),
        *({"name": name, "schema": _MOMENT} for name in ("from", "to")),
        *({"name": name, "schema": _whole(0, 1)} for name in ("calls", "by_design", "marks")),
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
    routes.COMMAND_ACT: _body(["act"], act=_text(40, some=True)),
    routes.STARTUP_MARK: _body([], text=_text(startup_api.TEXT_MAX), person=_text(40)),
    routes.STARTUP_FAST: _body(
        ["act"],
        act={"enum": ["choose", "extend", "end"]},
        points={"type": "array", "items": _text(startup_api.NAME_MAX, some=True), "maxItems": startup_api.POINTS_MAX},
        minutes={"type": "number", "exclusiveMinimum": 0, "maximum": startup_api.MINUTES_MAX},
        person=_text(40),
    ),
    routes.STARTUP_CHECK: _body(
        ["point"],
        point=_text(startup_api.NAME_MAX, some=True),
        hand={"type": ["number", "null"]},
        tolerance={"type": ["number", "null"], "minimum": 0},
        verdict={"enum": ["", "pass", "fail"]},
        comment=_text(startup_api.COMMENT_MAX),
        person=_text(40),
    ),
    routes.NOTICE_TEST: _body(["receiver"], receiver=_text(alarm_api.NAME_MAX, some=True)),
    routes.FINDING_DECIDE: _body(
        ["finding", "decision"],
        finding=_text(findings_api.NAME_MAX, some=True),
        decision={"enum": ["accept", "right"]},
        proposal=_whole(0, findings_api.PROPOSAL_MAX - 1),
        reason=_text(findings_api.TEXT_MAX),
        person=_text(40),
    ),
    routes.THERMOMETER: _body(
        ["point", "value", "unit"],
        point=_text(findings_api.NAME_MAX, some=True),
        value={
            "type": "number",
            "exclusiveMinimum": -findings_api.READING_MAX,
            "exclusiveMaximum": findings_api.READING_MAX,
        },
        unit={"enum": ["degC", "degF"]},
        note=_text(findings_api.TEXT_MAX),
        person=_text(40),
    ),
    routes.SESSION_BEGIN: _body(["name", "password"], name=_text(sign_in.NAME_MAX, some=True), password=_SECRET),
    routes.SESSION_CONFIRM: _body(["password"], password=_SECRET),
    routes.SESSION_PASSWORD: _body(["old", "new"], old=_SECRET, new=_SECRET),
    routes.SESSIONS_END: _body([], session=_text(sign_in.SESSION_ID_MAX), name=_text(sign_in.NAME_MAX)),
}
