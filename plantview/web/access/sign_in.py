"""The part of the API that signs in and out, confirms a password again, and lists and ends sessions."""

from __future__ import annotations

import asyncio
from dataclasses import replace
from typing import Any, Final

from fastapi import APIRouter
from starlette.requests import Request
from starlette.responses import Response

from plantview.clock import utc_text
from plantview.errors import StartRefused
from plantview.model.person import Person
from plantview.web.access.accounts import Account
from plantview.web.access.gate import Access, allowed, person_of
from plantview.web.access.passwords import LENGTH_MAX, trouble
from plantview.web.access.sessions import Session
from plantview.web.answers import Json, Problem
from plantview.web.asked import json_object, words
from plantview.web.routes import (
    SESSION,
    SESSION_BEGIN,
    SESSION_CONFIRM,
    SESSION_END,
    SESSION_HERE,
    SESSION_PASSWORD,
    SESSIONS,
    SESSIONS_END,
)

NAME_MAX: Final = 40
SESSION_ID_MAX: Final = 64
AT_ONCE: Final = 2
"""Passwords that are worked on at one time; each takes 64 MiB and some tenths of a second of a core."""
WAITING_MAX: Final = 16


class SignInApi:
    """Answers for one ``Access``."""

    def __init__(self, access: Access) -> None:
        self._access = access
        self._working = asyncio.Semaphore(AT_ONCE)
        self._waiting = 0

    def router(self) -> APIRouter:
        """Return the routes."""
        router = APIRouter()
        for path, answer in ((SESSION, self.who), (SESSIONS, self.sessions)):
            router.add_api_route(path, answer, methods=["GET"])
        for path, answer in (
            (SESSION_BEGIN, self.begin),
            (SESSION_END, self.end),
            (SESSION_CONFIRM, self.confirm),
            (SESSION_HERE, self.here),
            (SESSION_PASSWORD, self.password),
            (SESSIONS_END, self.end_of_another),
        ):
            router.add_api_route(path, answer, methods=["POST"])
        return router

    async def who(self, request: Request) -> Response:
        """Say who asks, in which role, and what that role may do."""
        person = person_of(request.scope)
        return Json({"accounts": self._access.on, "name": person.name, "role": person.role, "may": allowed(person)})

    async def begin(self, request: Request) -> Response:
        """Sign in with ``{"name", "password"}``; the answer carries the cookie of a new session."""
        self._check_on()
        body = json_object(await request.body())
        name, password = words(body, "name", NAME_MAX, required=True), _secret(body, "password")
        account = await self._checked(person_of(request.scope).source, name, password, "sign-in")
        before = self._access.signed_in(request.headers)
        if before is not None:
            self._access.sessions.end(before.id, "signed in anew")
        caller = self._access.caller(request.scope, request.headers)
        secret, session = self._access.sessions.open(account, caller.source)
        self._note("sign-in", session.person())
        answer = Json({"name": session.name, "role": session.role})
        self._set_cookie(answer, secret, secure=caller.secure)
        return answer

    async def end(self, request: Request) -> Response:
        """Sign out: the session ends, on the server too."""
        self._check_on()
        self._access.sessions.end(person_of(request.scope).session, "signed out")
        answer = Json({"ended": True})
        answer.delete_cookie(self._access.cookie, path="/", httponly=True, samesite="strict")
        return answer

    async def confirm(self, request: Request) -> Response:
        """Take ``{"password"}`` again: for a minute one act that needs it is open to this session."""
        self._check_on()
        person = person_of(request.scope)
        password = _secret(json_object(await request.body()), "password")
        await self._checked(person.source, person.name, password, "confirmation")
        self._access.sessions.confirm(person.session)
        self._note("confirmation", person)
        return Json({"confirmed": True})

    async def here(self, _request: Request) -> Response:
        """Note that somebody is still at the page; the guard has noted it already."""
        return Response(status_code=204)

    async def password(self, request: Request) -> Response:
        """Change one's own password with ``{"old", "new"}``; one's other sessions end."""
        self._check_on()
        person, body = person_of(request.scope), json_object(await request.body())
        old, new = _secret(body, "old"), _secret(body, "new")
        account = await self._checked(person.source, person.name, old, "change of password")
        wrong = trouble(new, account.name)
        if wrong:
            raise Problem(400, f"the new password is not taken: {wrong}", "choose another one")
        changed = replace(account, hash=await self._hashed(new))
        self._store(changed)
        self._access.sessions.renew(person.session, changed)
        self._access.refresh()
        self._note("password changed", person)
        return Json({"changed": True})

    async def sessions(self, _request: Request) -> Response:
        """List who is signed in, from where, since when."""
        return Json([self._row(session) for session in self._access.sessions.all()])

    async def end_of_another(self, request: Request) -> Response:
        """End the session ``{"session"}``, or all of ``{"name"}``; their open pages close."""
        self._check_on()
        body, person = json_object(await request.body()), person_of(request.scope)
        session = words(body, "session", SESSION_ID_MAX, required=False)
        name = words(body, "name", NAME_MAX, required=False)
        if bool(session) == bool(name):
            raise Problem(400, "give either 'session' or 'name'", "take them from /api/v1/sessions")
        why = f"ended by {person.name}"
        sessions = self._access.sessions
        ended = sessions.end_all(name, why) if name else int(sessions.end(session, why))
        if not ended:
            raise Problem(404, "there is no such session", "read /api/v1/sessions again")
        return Json({"ended": ended})

    def _check_on(self) -> None:
        if not self._access.on:
            raise Problem(
                409, "accounts are off here", "make one with 'plantview accounts add NAME --role admin' on the server"
            )

    async def _checked(self, source: str, name: str, password: str, act: str) -> Account:
        """Return the account whose password this is; 429 while one has to wait, 401 for a wrong one."""
        attempts = self._access.attempts
        wait_s = attempts.wait_s(source, name)
        if wait_s:
            self._access.log.refused(why=f"{act} too soon after failures", name=name, source=source, status=429)
            raise Problem(429, "there were too many failures", f"wait {round(wait_s) + 1} s and try again")
        # counted before it is known, or many tries at one time would all count as the first
        attempts.failed(source, name)
        account = self._access.book.account(name)
        fits = await self._verified(account.hash if account else None, password)
        if account is None or not fits:
            self._access.log.note(f"{act} failed", name=name, source=source)
            raise Problem(401, "name and password do not belong together", "try again, or ask who keeps the accounts")
        attempts.succeeded(source, name)
        return account

    async def _verified(self, kept: str | None, password: str) -> bool:
        if self._waiting >= WAITING_MAX:
            raise Problem(503, "too many people sign in at this moment", "try again in a few seconds")
        self._waiting += 1
        try:
            async with self._working:
                return await asyncio.to_thread(self._access.hashing.fits, kept, password)
        finally:
            self._waiting -= 1

    async def _hashed(self, password: str) -> str:
        async with self._working:
            return await asyncio.to_thread(self._access.hashing.hash, password)

    def _store(self, account: Account) -> None:
        if self._access.file is None:
            raise Problem(503, "there is no data folder to keep it in", "start plantview with --data")
        try:
            self._access.file.change(lambda book: book.with_account(account))
        except StartRefused as refused:
            raise Problem(503, str(refused), "tell who keeps this server") from None

    def _note(self, act: str, person: Person) -> None:
        self._access.log.note(
            act, name=person.name, role=person.role.value, source=person.source, session=person.session[:16]
        )

    def _set_cookie(self, answer: Response, secret: str, *, secure: bool) -> None:
        answer.set_cookie(self._access.cookie, secret, path="/", httponly=True, samesite="strict", secure=secure)

    @staticmethod
    def _row(session: Session) -> dict[str, Any]:
        return {
            "session": session.id,
            "name": session.name,
            "role": session.role,
            "source": session.source,
            "since": utc_text(session.made_ms),
        }


def _secret(body: dict[str, Any], name: str) -> str:
    """Return a password of a body exactly as it was typed, spaces and all."""
    text = body.get(name)
    if not isinstance(text, str) or not 0 < len(text) <= LENGTH_MAX:
        raise Problem(400, f"'{name}' must be given, as text of at most {LENGTH_MAX} characters", f"correct '{name}'")
    return text
