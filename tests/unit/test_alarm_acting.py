"""Who an act on an alarm is journalled under: the signed-in person, never what was typed in their place."""

from __future__ import annotations

import json
from typing import Any

import httpx
import pytest
from fastapi import FastAPI
from starlette.requests import Request
from starlette.responses import JSONResponse
from starlette.types import ASGIApp, Receive, Scope, Send

from plantview.model.person import Person, Role
from plantview.web.access.sessions import NOBODY
from plantview.web.acting import PERSON
from plantview.web.alarm_api import AlarmApi
from plantview.web.answers import Problem
from plantview.web.routes import ALARM_ACT

BODY = {"act": "acknowledge", "about": ["HI"], "person": "XX", "text": "seen"}


class Asked:
    """A channel that only remembers what it was asked."""

    def __init__(self) -> None:
        self.bodies: list[dict[str, Any]] = []

    async def ask(self, what: str, body: dict[str, Any], _within_s: float) -> dict[str, Any]:
        assert what == "alarm_act"
        self.bodies.append(body)
        return {"done": body["about"], "refused": {}}


async def refusing(_request: Request, problem: Exception) -> JSONResponse:
    assert isinstance(problem, Problem)
    return JSONResponse({"detail": problem.detail}, problem.status)


def site(asked: Asked, person: object) -> httpx.AsyncClient:
    """Return a client of the alarm API behind a guard that vouches for ``person``."""
    app = FastAPI()
    app.include_router(AlarmApi(None, asked).router())  # type: ignore[arg-type]
    app.add_exception_handler(Problem, refusing)

    def vouching(inner: ASGIApp) -> ASGIApp:
        async def app_with_person(scope: Scope, receive: Receive, send: Send) -> None:
            await inner({**scope, PERSON: person} if person else scope, receive, send)

        return app_with_person

    return httpx.AsyncClient(transport=httpx.ASGITransport(vouching(app)), base_url="http://plant")


def signed_in(role: Role, session: str = "5f0c") -> Person:
    return Person("M. Keller", role, session, "127.0.0.1")


@pytest.mark.parametrize("role", [Role.OPERATOR, Role.TECHNICIAN, Role.LEAD])
async def test_a_signed_in_name_stands_in_place_of_whatever_was_typed(role: Role) -> None:
    asked = Asked()
    async with site(asked, signed_in(role)) as http:
        answer = await http.post(ALARM_ACT, content=json.dumps(BODY))
        without = await http.post(ALARM_ACT, content=json.dumps({**BODY, "person": ""}))
    assert (answer.status_code, without.status_code) == (200, 200)
    assert [body["person"] for body in asked.bodies] == ["M. Keller", "M. Keller"]


@pytest.mark.parametrize("role", [Role.VIEWER, Role.ADMIN])
async def test_a_role_without_alarms_is_refused_by_name_and_nothing_is_asked(role: Role) -> None:
    asked = Asked()
    async with site(asked, signed_in(role)) as http:
        answer = await http.post(ALARM_ACT, content=json.dumps(BODY))
    assert answer.status_code == 403
    assert answer.json()["detail"] == f"M. Keller is signed in as {role.value}, who may not act on alarms"
    assert asked.bodies == []


@pytest.mark.parametrize("person", [None, "M. Keller", signed_in(Role.OPERATOR, NOBODY)])
async def test_where_nobody_signed_in_the_initials_count_and_are_needed(person: object) -> None:
    asked = Asked()
    async with site(asked, person) as http:
        assert (await http.post(ALARM_ACT, content=json.dumps(BODY))).status_code == 200
        assert (await http.post(ALARM_ACT, content=json.dumps({**BODY, "person": " "}))).status_code == 400
    assert [body["person"] for body in asked.bodies] == ["XX"]
