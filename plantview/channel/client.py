"""The asking end of the channel: stays subscribed through restarts of the field, and asks questions."""

from __future__ import annotations

import asyncio
import contextlib
import itertools
import logging
from collections.abc import AsyncIterator, Callable
from pathlib import Path
from typing import Any, Final

from plantview.channel.messages import LINE_BYTES_MAX, AskRefused, Message, decode, encode_ask
from plantview.channel.paths import folder_trouble
from plantview.errors import ChannelError, NotRunning

Body = dict[str, Any]
OnMessage = Callable[[str, Body], None]

BACK_OFF_REAL_S: Final = (0.2, 0.5, 1.0, 2.0, 5.0)
"""Waits before connecting again, in order; the last one repeats."""
ASKS_OPEN_MAX: Final = 256
"""Questions that may wait for an answer at once."""
LOST: Final = "lost"
"""Kind of the message that the client itself hands on when the connection ends."""

log = logging.getLogger("plantview.channel")


class ChannelClient:
    """Hand every message of the field process to ``on_message``; ``run`` keeps the connection.

    ``on_message(kind, body)`` must not wait. When the connection ends it gets ``LOST`` with an empty body.
    """

    def __init__(self, path: Path, on_message: OnMessage) -> None:
        self._path = path
        self._on_message = on_message
        self._writer: asyncio.StreamWriter | None = None
        self._numbers = itertools.count(1)
        self._waiting: dict[int, asyncio.Future[Body]] = {}

    @property
    def connected(self) -> bool:
        """Return whether the field process is at the other end now."""
        return self._writer is not None

    async def run(self) -> None:
        """Connect, listen, connect again; ends only by cancellation."""
        failures = 0
        while True:
            heard = await self._session()
            failures = 0 if heard else failures + 1
            await asyncio.sleep(BACK_OFF_REAL_S[min(failures, len(BACK_OFF_REAL_S) - 1)])

    async def _session(self) -> bool:
        """Stay connected once; return whether anything was heard."""
        heard = False
        try:
            async with _connection(self._path) as (reader, writer):
                self._writer = writer
                async for message in _messages(reader):
                    heard = True
                    self._take(message)
        except NotRunning as error:
            log.debug("%s", error)
        except (ChannelError, OSError) as error:
            log.warning("the channel broke: %s", error)
        finally:
            self._writer = None
            self._fail_waiting()
        if heard:
            self._on_message(LOST, {})
        return heard

    def _take(self, message: Message) -> None:
        if message.kind == "answer":
            self._settle(message.body)
        else:
            self._on_message(message.kind, message.body)

    def _settle(self, body: Body) -> None:
        future = self._waiting.pop(body.get("id", 0), None)
        if future is None or future.done():
            return
        if body.get("ok"):
            future.set_result(body["body"])
        else:
            future.set_exception(AskRefused(str(body.get("error", "refused")), str(body.get("code", "failed"))))

    def _fail_waiting(self) -> None:
        for future in self._waiting.values():
            if not future.done():
                future.set_exception(
                    ChannelError("the field process went away before it answered; ask again in a moment")
                )
        self._waiting.clear()

    async def ask(self, what: str, body: Body, within_s: float = 5.0) -> Body:
        """Return the answer; AskRefused for a "no", NotRunning or ChannelError where there is none."""
        if self._writer is None:
            raise NotRunning("the field process is not running or does not answer; it is started by 'plantview run'")
        if len(self._waiting) >= ASKS_OPEN_MAX:
            raise ChannelError(f"{ASKS_OPEN_MAX} questions wait for an answer already; ask again in a moment")
        number = next(self._numbers)
        future: asyncio.Future[Body] = asyncio.get_running_loop().create_future()
        self._waiting[number] = future
        try:
            async with asyncio.timeout(within_s):
                self._writer.write(encode_ask(number, what, body))
                return await future
        except TimeoutError:
            raise ChannelError(f"the field process did not answer '{what}' within {within_s:g} s") from None
        finally:
            self._waiting.pop(number, None)


@contextlib.asynccontextmanager
async def _connection(path: Path) -> AsyncIterator[tuple[asyncio.StreamReader, asyncio.StreamWriter]]:
    try:
        trouble = folder_trouble(path.parent)
        if trouble:
            raise ChannelError(f"the runtime folder {path.parent} {trouble}, so nobody there is trusted")
        reader, writer = await asyncio.open_unix_connection(path, limit=LINE_BYTES_MAX)
    except OSError as error:
        raise NotRunning(f"no field process watches this plant (nobody listens on {path})") from error
    try:
        yield reader, writer
    finally:
        writer.close()


async def _messages(reader: asyncio.StreamReader) -> AsyncIterator[Message]:
    try:
        while line := await reader.readline():
            yield decode(line)
    except ValueError as error:
        raise ChannelError(f"a line on the channel is longer than {LINE_BYTES_MAX} bytes") from error


async def ask_once(path: Path, what: str, body: Body, within_s: float) -> tuple[Body, Body]:
    """Connect, ask one question, leave; return the field's ``hello`` and the answer.

    NotRunning if nobody listens, AskRefused for a "no", ChannelError if it takes longer.
    """
    hello: Body | None = None
    answer: Body | None = None
    try:
        async with asyncio.timeout(within_s), _connection(path) as (reader, writer):
            writer.write(encode_ask(1, what, body))
            async for message in _messages(reader):
                if message.kind == "hello":
                    hello = message.body
                elif message.kind == "answer":
                    answer = _unwrap(message.body)
                if hello is not None and answer is not None:
                    return hello, answer
    except TimeoutError:
        raise ChannelError(f"the field process did not answer '{what}' within {within_s:g} s") from None
    raise ChannelError("the field process went away before it answered; ask again in a moment")


def _unwrap(body: Body) -> Body:
    if not body.get("ok"):
        raise AskRefused(str(body.get("error", "refused")), str(body.get("code", "failed")))
    answer: Body = body["body"]
    return answer
