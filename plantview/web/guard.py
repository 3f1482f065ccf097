"""The outermost layer: who may ask, for what, how much; and what every answer carries.

It stands before Dash and FastAPI because their own hooks are not asked for every path
(catch-all, assets, WebSockets). It keeps out foreign sites (Host, Origin and a token that
only our own pages can send back), unknown paths and oversized bodies. There is no sign-in yet.
"""

from __future__ import annotations

import asyncio
import hmac
import re
import secrets
from collections.abc import Iterable
from http.cookies import CookieError, SimpleCookie
from typing import Final

from starlette.datastructures import Headers, MutableHeaders
from starlette.types import ASGIApp, Message, Receive, Scope, Send

from plantview.web.answers import Problem
from plantview.web.hosts import Hosts
from plantview.web.routes import LIVE, PAGES, allowed_methods

BODY_BYTES_MAX: Final = 64 * 1024
BODY_REAL_S_MAX: Final = 10.0
CSRF_COOKIE: Final = "_csrf_token"
CSRF_HEADER: Final = "x-csrftoken"
_TOKEN: Final = re.compile(r"[A-Za-z0-9_-]{20,128}")
_CLOSE_POLICY: Final = 1008


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

    def __init__(self, app: ASGIApp, hosts: Hosts, policy: str) -> None:
        self._app, self._hosts = app, hosts
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
            self._check(scope, headers)
            body = receive if scope["method"] != "POST" else _replay(await _whole_body(headers, receive))
        except Problem as problem:
            await problem.response()(scope, receive, dressed)
            return
        await self._app(scope, body, dressed)

    def _check(self, scope: Scope, headers: Headers) -> None:
        self._check_host(headers)
        methods = allowed_methods(scope["path"])
        if not methods:
            raise Problem(
                404, f"there is nothing at {scope['path']}", "pages: " + ", ".join(PAGES) + "; API: /api/v1/plant"
            )
        if scope["method"] not in methods:
            raise Problem(405, f"{scope['path']} does not take {scope['method']}", f"use {' or '.join(methods)}")
        if scope["method"] == "POST":
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
        headers = Headers(scope=scope)
        try:
            self._check_host(headers)
            self._check_origin(headers)
        except Problem as problem:
            await send({"type": "websocket.close", "code": _CLOSE_POLICY, "reason": problem.detail[:100]})
            return
        if scope["path"] != LIVE:
            await send({"type": "websocket.close", "code": _CLOSE_POLICY, "reason": "no such socket"})
            return
        await self._app(scope, receive, send)

    def _dress(self, scope: Scope, headers: Headers, send: Send) -> Send:
        token = "" if scope["path"] not in PAGES or _cookie(headers) else secrets.token_urlsafe(32)
        cache = "no-cache" if scope["path"].startswith("/assets/") else "no-store"

        async def dressed(message: Message) -> None:
            if message["type"] == "http.response.start":
                answer = MutableHeaders(scope=message)
                for name, value in self._fixed.items():
                    answer[name] = value
                if "cache-control" not in answer:
                    answer["cache-control"] = cache
                if token:
                    answer.append("set-cookie", f"{CSRF_COOKIE}={token}; Path=/; SameSite=Strict")
            await send(message)

        return dressed


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
