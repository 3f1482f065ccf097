"""The command part of the API: what is armed and overridden, and acts of people, passed on to the field process.

Nothing is decided here but who asks: role, arming, limits and everything else are checked where the write would
happen. A key of a program opens none of it.
"""

from __future__ import annotations

import asyncio
import hashlib
from collections.abc import Mapping
from typing import Any, Final

from fastapi import APIRouter
from starlette.requests import Request
from starlette.responses import Response

from plantview.channel.client import ChannelClient
from plantview.channel.messages import AskRefused
from plantview.errors import ChannelError, NotRunning
from plantview.model.person import Act, Person, Role
from plantview.model.plant import Plant
from plantview.web.access.gate import KEY_PREFIX, Access, person_of
from plantview.web.access.sessions import NOBODY, Session
from plantview.web.answers import Json, Problem
from plantview.web.asked import json_object
from plantview.web.routes import COMMAND_ACT, COMMANDS, OVERRIDES_HELD

ASK_REAL_S: Final = 45.0
"""A command reads its device several times; a silent one takes its time-out."""
LINK_MS_MAX: Final = 1_000.0
"""Longest that an answer may take to reach whoever arms: beyond it a page shows what was, not what is."""
FORBIDDEN: Final = frozenset({"role", "session", "confirm", "person", "writes_disabled"})
"""Rules that say: not you, whatever the equipment does."""
NOTHING: Final[Mapping[str, Any]] = {
    "enabled": False, "practice": False, "arms": [], "overrides": [], "notices": [], "permits": [], "waiting": [],
    "trouble": "",
}  # fmt: skip
"""What is armed and overridden where nothing may be written."""
TRAINEE: Final = "trainee"
"""Who acts in practice where nobody has to sign in."""


class CommandsApi:
    """Answers by asking the field process."""

    def __init__(self, plant: Plant, client: ChannelClient, access: Access) -> None:
        self._plant, self._client, self._access = plant, client, access
        self._telling: set[asyncio.Task[None]] = set()
        access.on_ended = self.session_ended

    def router(self) -> APIRouter:
        """Return the routes."""
        router = APIRouter()
        router.add_api_route(COMMANDS, self.state, methods=["GET"])
        router.add_api_route(OVERRIDES_HELD, self.held, methods=["GET"])
        router.add_api_route(COMMAND_ACT, self.act, methods=["POST"])
        return router

    async def state(self, request: Request) -> Response:
        """Return what is armed, overridden and under work notice, and what whoever asks may do."""
        person = self._person(request)
        body = await self._ask("command_state", {}) if self._plant.writes.active else dict(NOTHING)
        you = {"name": person.name, "may": person.may(Act.COMMAND), "signs_in": self._access.on}
        return Json(
            {**body, "you": you, "mine": [row["equipment"] for row in body["arms"] if row["person"] == person.name]}
        )

    async def held(self, _request: Request) -> Response:
        """Return every priority that anybody holds in a commandable point."""
        return Json(await self._ask("overrides", {}))

    async def act(self, request: Request) -> Response:
        """Do one act: ``{"act": "stage", "point": …, "value": …, "unit": …}``."""
        body = json_object(await request.body())
        act = body.pop("act", "")
        if not isinstance(act, str) or not 0 < len(act) <= 40:
            raise Problem(400, "'act' must say what is to be done", "name one act")
        body.pop("confirmed", None)  # only this process says so
        person = self._person(request)
        if act == "arm":
            _check_link(body.pop("link_ms", 0))
            body["confirmed"] = self._confirmed(person)
        return Json(await self._ask("command", {"act": act, "person": person.row(), "body": body}))

    def session_ended(self, session: Session, why: str) -> None:
        """Tell the field process that what this session has armed is to be dropped."""
        try:
            task = asyncio.get_running_loop().create_task(self._tell_ended(session.id, why))
        except RuntimeError:  # nobody is served: there is no loop, and nothing armed by a page
            return
        self._telling.add(task)
        task.add_done_callback(self._telling.discard)

    async def _tell_ended(self, session: str, why: str) -> None:
        try:
            await self._client.ask("command_session_ended", {"session": session, "why": why}, ASK_REAL_S)
        except (ChannelError, NotRunning):
            return  # without the link its heartbeat is missed, and the field disarms by itself

    def _person(self, request: Request) -> Person:
        person = person_of(request.scope)
        if person.name.startswith(KEY_PREFIX):
            raise Problem(403, "a key of a program commands nothing", "sign in as a person")
        if self._plant.writes.practice and not self._access.on:
            # simulated devices on this computer, nobody signs in: each browser is one trainee
            browser = hashlib.sha256(request.cookies.get("_csrf_token", "").encode()).hexdigest()
            return Person(f"{TRAINEE}-{browser[:4]}", Role.TECHNICIAN, browser, person.source)
        return person

    def _confirmed(self, person: Person) -> bool:
        if person.session == NOBODY:
            return False
        if self._plant.writes.practice and not self._access.on:
            return True
        return self._access.sessions.take_confirmation(person.session)

    async def _ask(self, what: str, body: dict[str, Any]) -> dict[str, Any]:
        try:
            return await self._client.ask(what, body, ASK_REAL_S)
        except AskRefused as error:
            status = 403 if error.code in FORBIDDEN else 409
            raise Problem(status, str(error), f"rule: {error.code}") from error
        except (NotRunning, ChannelError) as error:
            raise Problem(
                503, str(error), "nothing was ordered that is known of; look at the overrides first"
            ) from error


def _check_link(link_ms: object) -> None:
    """Refuse to arm where an answer takes so long that what a page shows and what it orders lie apart."""
    if not isinstance(link_ms, int | float) or isinstance(link_ms, bool) or not link_ms >= 0:
        raise Problem(400, "'link_ms' must be how long an answer takes, in milliseconds", "reload the page")
    if link_ms > LINK_MS_MAX:
        raise Problem(
            409,
            f"an answer takes {link_ms / 1_000:.1f} s to reach this page, and {LINK_MS_MAX / 1_000:g} s is the most",
            "command from where the link is better, or have somebody at the plant do it",
        )
