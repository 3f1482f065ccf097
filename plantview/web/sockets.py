"""An open socket ends when its session does: the guard asks once, at the beginning, and then watches."""

from __future__ import annotations

import asyncio
from typing import Any, Final

from starlette.types import ASGIApp, Message, Receive, Scope, Send

CLOSE_SESSION_ENDED: Final = 4401
"""Of the range for private use (RFC 6455, 7.4.2): pages go to the sign-in then instead of trying again."""


async def until_ended(app: ASGIApp, scope: Scope, receive: Receive, send: Send, ended: asyncio.Event) -> None:
    """Serve a socket until it closes or ``ended`` is set; the application sees a browser that left."""
    closed = False

    async def heard() -> Message:
        nonlocal closed
        listening = asyncio.ensure_future(receive())
        watching = asyncio.ensure_future(ended.wait())
        try:
            await asyncio.wait({listening, watching}, return_when=asyncio.FIRST_COMPLETED)
            if not ended.is_set():
                return listening.result()
        finally:
            await _cancel(listening, watching)
        if not closed:
            closed = True
            await send({"type": "websocket.close", "code": CLOSE_SESSION_ENDED, "reason": "the session ended"})
        return {"type": "websocket.disconnect", "code": CLOSE_SESSION_ENDED}

    async def told(message: Message) -> None:
        if not closed:
            await send(message)

    await app(scope, heard, told)


async def _cancel(*tasks: asyncio.Future[Any]) -> None:
    for task in tasks:
        task.cancel()
    await asyncio.gather(*tasks, return_exceptions=True)
