"""Callbacks are taken from pages as they were written, and in no other shape: Dash alone believes what it is sent."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any, Final

import orjson
from starlette.types import ASGIApp, Message, Receive, Scope, Send

from plantview.web.answers import Problem
from plantview.web.routes import CALLBACK

REFUSED: Final = Problem(400, "the page asked for something that does not exist", "reload the page")


class CallbackCheck:
    """Stands before Dash, behind the guard; ``declared`` is Dash's own table of callbacks by output."""

    def __init__(self, app: ASGIApp, declared: Mapping[str, Mapping[str, Any]]) -> None:
        self._app, self._declared = app, declared

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        if scope["type"] != "http" or scope["path"] != CALLBACK:
            await self._app(scope, receive, send)
            return
        message = await receive()  # whole: the guard has gathered it
        if self._is_declared(message.get("body", b"")):
            await self._app(scope, _again(message, receive), send)
        else:
            await REFUSED.response()(scope, receive, send)

    def _is_declared(self, raw: bytes) -> bool:
        """Whether output, inputs and states are those of one callback, each by its id and property, in order."""
        try:
            body = orjson.loads(raw)
        except orjson.JSONDecodeError:
            return False
        output = body.get("output") if isinstance(body, dict) else None
        declared = self._declared.get(output) if isinstance(output, str) else None
        if declared is None:
            return False
        same = all(_named(body.get(part, [])) == _named(declared[part]) for part in ("inputs", "state"))
        outputs = body.get("outputs")
        written = outputs if isinstance(outputs, list) else [outputs]
        return same and ".".join(f"{row[0]}.{row[1]}" for row in _named(written) or ()) in {output, _inner(output)}


def _named(rows: object) -> list[tuple[object, object]] | None:
    """Return id and property of each row; None for what is no list of rows."""
    if not isinstance(rows, list) or not all(isinstance(row, dict) for row in rows):
        return None
    return [(row.get("id"), row.get("property")) for row in rows]


def _inner(output: object) -> str:
    """Return a list of outputs as one name: Dash writes ``..a.b...c.d..``."""
    return str(output).strip(".").replace("...", ".")


def _again(message: Message, receive: Receive) -> Receive:
    left = [message]

    async def replayed() -> Message:
        return left.pop() if left else await receive()

    return replayed
