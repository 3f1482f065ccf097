"""The outermost layer: who may ask, for what, how much; and what every answer carries.

It stands before Dash and FastAPI because their own hooks are not asked for every path
(catch-all, assets, WebSockets). It keeps out foreign sites (Host, Origin and a token that
only our own pages can send back), unknown paths and oversized bodies, whoever is not signed in
and whoever's role does not reach; it puts the person into the scope under ``access.gate.SCOPE_KEY``.
"""

from __future__ import annotations

import asyncio
import hmac
import re
import secrets
from collections.abc import Iterable
from http import HTTPStatus
from http.cookies import CookieError, SimpleCookie
from typing import Final
from urllib.parse import quote

from starlette.datastructures import Headers, MutableHeaders
from starlette.responses import RedirectResponse, Response
from starlette.types import ASGIApp, Message, Receive, Scope, Send

from plantview.model.person import Person
from plantview.web.access.gate import KEY_PREFIX, SCOPE_KEY, Access
from plantview.web.answers import Problem
from plantview.web.hosts import Hosts
from plantview.web.routes import (
    ACCOUNT,
    CALLBACK,
    COMMAND_ACT,
    HELP,
    LIVE,
    PAGES,
    PHONE,
    SIGN_IN,
    WALL,
    allowed_methods,
)
from plantview.web.sockets import until_ended

BODY_BYTES_MAX: Final = 64 * 1024
BODY_REAL_S_MAX: Final = 10.0
CSRF_COOKIE: Final = "_csrf_token"
CSRF_HEADER: Final = "x-csrftoken"
_TOKEN: Final = re.compile(r"[A-Za-z0-9_-]{20,128}")
_CLOSE_POLICY: Final = 1008
_SHOWN: Final = frozenset({*PAGES, SIGN_IN, ACCOUNT, HELP, PHONE, WALL})
"""Paths that a person opens in a browser: they get the token, and are led to the sign-in."""
_UNREMARKABLE: Final = frozenset({404, 405, 413, 408})
"""Mistakes of a request, not an attempt to come in: they are answered, and leave no line in the access log."""
WATCHED: Final = {
    CALLBACK: ("a callback with properties that no page sends", range(400, 600)),
    COMMAND_ACT: ("a command that nobody may send so", (400, 403, 422, 500)),
}
"""Path -> what an answer of these statuses means there; refused commands stand in the audit by themselves."""


def content_security_policy(hashes: Iterable[str]) -> str:
    """Return the policy: own files only, inline scripts only by hash; Dash's components need inline styles."""
    return "; ".join(
        (
            "default-src 'none'",
            " ".join(("script-src 'self'", *hashes)),
            "style-src 'self' 'unsafe-inline'",
            "img-src 'self' data:",
            "font-src 'self'",
            "connect-src 'self'",
            "worker-src 'self'",
            "base-uri 'none'",
            "form-action 'self'",
            "frame-ancestors 'none'",
        )
    )


class Guard:
    """Pure ASGI: wraps the whole application."""

    def __init__(self, app: ASGIApp, hosts: Hosts, policy: str, access: Access) -> None:
        self._app, self._hosts, self._access = app, hosts, access
        self._fixed = {
            "content-security-policy": policy,
            "x-content-type-options": "nosniff",
            "x-frame-options": "DENY",
            "referrer-policy": "no-referrer",
            "cross-origin-opener-policy": "same-origin",
            "cross-origin-resource-policy": "same-origin",
            "permissions-policy": "camera=(), geolocation=(), microphone=()",
        }

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        if scope["type"] == "http":
            await self._http(scope, receive, send)
        elif scope["type"] == "websocket":
            await self._websocket(scope, receive, send)
        else:
            await self._app(scope, receive, send)

    async def _http(self, scope: Scope, receive: Receive, send: Send) -> None:
        headers = Headers(scope=scope)
        dressed = self._dress(scope, headers, send)
        try:
            person = self._admit(scope, headers)
            body = receive if scope["method"] != "POST" else _replay(await _whole_body(headers, receive))
        except Problem as problem:
            await _answer(scope, problem)(scope, receive, dressed)
            return
        watched = self._watched(scope, headers, person, dressed) if scope["path"] in WATCHED else dressed
        await self._app({**scope, SCOPE_KEY: person}, body, watched)

    def _watched(self, scope: Scope, headers: Headers, person: Person, send: Send) -> Send:
        """Record what no page of ours would send there: somebody tries what it does."""
        what, statuses = WATCHED[scope["path"]]

        async def watched(message: Message) -> None:
            if message["type"] == "http.response.start" and message["status"] in statuses:
                problem = Problem(message["status"], what, "")
                self._access.refused(scope, headers, problem, person)
            await send(message)

        return watched

    def _admit(self, scope: Scope, headers: Headers) -> Person:
        """Return who asks; the Problem of the first check that fails, which is then recorded."""
        person = None
        try:
            caller = self._access.caller(scope, headers)
            self._check_host(headers)
            self._check_path(scope)
            person = self._access.identify(scope["path"], headers, caller)
            self._access.permit(person, scope["path"])
            self._check_own_page(scope, headers, person)
        except Problem as problem:
            if problem.status not in _UNREMARKABLE or scope["path"] == COMMAND_ACT:
                self._access.refused(scope, headers, problem, person)
            raise
        return person

    def _check_path(self, scope: Scope) -> None:
        if scope["type"] == "websocket":
            if scope["path"] != LIVE:
                raise Problem(403, "no such socket", f"the live socket is {LIVE}")
            return
        methods = allowed_methods(scope["path"]) if self._access.is_there(scope["path"]) else ()
        if not methods:
            raise Problem(
                404, f"there is nothing at {scope['path']}", "pages: " + ", ".join(PAGES) + "; API: /api/v1/plant"
            )
        if scope["method"] not in methods:
            raise Problem(405, f"{scope['path']} does not take {scope['method']}", f"use {' or '.join(methods)}")

    def _check_own_page(self, scope: Scope, headers: Headers, person: Person) -> None:
        """A browser sends its cookie whoever makes it ask; a program sends its key only by itself."""
        if person.name.startswith(KEY_PREFIX):
            return
        if scope["type"] == "websocket":
            self._check_origin(headers)
        elif scope["method"] == "POST":
            self._check_origin(headers)
            token = _cookie(headers)
            if not token or not hmac.compare_digest(token.encode(), headers.get(CSRF_HEADER, "").encode()):
                raise Problem(403, "the request does not carry the token of this site", "reload the page and try again")

    def _check_host(self, headers: Headers) -> None:
        host = headers.get("host", "")
        if not self._hosts.allows(host):
            raise Problem(
                400,
                f"this server is not known as '{host[:100]}'",
                "use the address that plantview printed at start, or allow this name at start",
            )

    def _check_origin(self, headers: Headers) -> None:
        origin = headers.get("origin", "")
        if not self._hosts.allows_origin(origin):
            raise Problem(
                403,
                f"requests from '{origin[:100] or 'an unnamed origin'}' are refused",
                "act from a page of this server",
            )

    async def _websocket(self, scope: Scope, receive: Receive, send: Send) -> None:
        try:
            person = self._admit(scope, Headers(scope=scope))
        except Problem as problem:
            await send({"type": "websocket.close", "code": _CLOSE_POLICY, "reason": problem.detail[:100]})
            return
        ended = self._access.end_of(person)
        await until_ended(self._app, {**scope, SCOPE_KEY: person}, receive, send, ended)

    def _dress(self, scope: Scope, headers: Headers, send: Send) -> Send:
        token = "" if scope["path"] not in _SHOWN or _cookie(headers) else secrets.token_urlsafe(32)
        cache = "no-cache" if scope["path"].startswith("/assets/") else "no-store"

        secure = "; Secure" if self._access.terms.proxy or scope.get("scheme") == "https" else ""

        async def dressed(message: Message) -> None:
            if message["type"] == "http.response.start":
                answer = MutableHeaders(scope=message)
                for name, value in self._fixed.items():
                    answer[name] = value
                if "cache-control" not in answer:
                    answer["cache-control"] = cache
                if token:
                    answer.append("set-cookie", f"{CSRF_COOKIE}={token}; Path=/; SameSite=Strict{secure}")
            await send(message)

        return dressed


def _answer(scope: Scope, problem: Problem) -> Response:
    """Lead a person who opens a page to the sign-in; tell everybody else what is wrong."""
    if problem.status == HTTPStatus.UNAUTHORIZED and scope["path"] in _SHOWN:
        query = scope.get("query_string", b"").decode("latin-1")
        wanted = scope["path"] + (f"?{query}" if query else "")
        return RedirectResponse(f"{SIGN_IN}?next={quote(wanted, safe='')}", HTTPStatus.SEE_OTHER)
    return problem.response()


def _cookie(headers: Headers) -> str:
    try:
        found = SimpleCookie(headers.get("cookie", "")).get(CSRF_COOKIE)
    except CookieError:
        return ""
    return found.value if found is not None and _TOKEN.fullmatch(found.value) else ""


async def _whole_body(headers: Headers, receive: Receive) -> bytes:
    """Return the body of a POST, bounded in size and in time."""
    too_long = Problem(413, f"the request is longer than {BODY_BYTES_MAX} bytes", "send less")
    announced = headers.get("content-length", "0")
    if not announced.isdigit() or int(announced) > BODY_BYTES_MAX:
        raise too_long
    body = bytearray()
    try:
        async with asyncio.timeout(BODY_REAL_S_MAX):
            while True:
                message = await receive()
                body += message.get("body", b"")
                if len(body) > BODY_BYTES_MAX:
                    raise too_long
                if not message.get("more_body", False):
                    return bytes(body)
    except TimeoutError:
        raise Problem(408, f"the request did not arrive within {BODY_REAL_S_MAX:g} s", "send it again") from None


def _replay(body: bytes) -> Receive:
    left = [body]

    async def receive() -> Message:
        if left:
            return {"type": "http.request", "body": left.pop(), "more_body": False}
        return {"type": "http.disconnect"}

    return receive
