"""The field's end of the channel: one encoded line for all subscribers, and answers to questions.

Publishing never waits. A subscriber that reads too slowly misses messages and then gets
everything anew; one that does not read at all for a while is disconnected.
"""

from __future__ import annotations

import asyncio
import contextlib
import logging
import re
from collections.abc import Awaitable, Callable
from pathlib import Path
from typing import Any, Final

from plantview.channel.messages import (
    CLIENTS_MAX,
    LINE_BYTES_MAX,
    AskRefused,
    Message,
    decode,
    encode,
    encode_answer,
    encode_refusal,
)
from plantview.channel.paths import SOCKET_MODE, private_folder
from plantview.clock import Clock, SystemClock
from plantview.errors import ChannelError, PlantviewError, StartRefused

Body = dict[str, Any]
Answer = Callable[[Body], Awaitable[Body]]

BEHIND_BYTES: Final = 1024 * 1024
"""Unsent bytes from which a subscriber counts as behind and is sent nothing more."""
BEHIND_REAL_S_MAX: Final = 30.0
"""How long a subscriber may stay behind before it is disconnected."""
ASKS_AT_ONCE: Final = 8
"""Questions of one connection that are worked on together; the rest wait unread."""
KEPT: Final = ("hello", "alarms", "health")
"""Kinds whose last message a new subscriber gets at once."""

log = logging.getLogger("plantview.channel")


class _Subscriber:
    """One connection."""

    def __init__(self, writer: asyncio.StreamWriter) -> None:
        self.writer = writer
        self.behind_since: float | None = None

    def unsent(self) -> int:
        return self.writer.transport.get_write_buffer_size()

    def send(self, line: bytes) -> None:
        if not self.writer.is_closing():
            self.writer.write(line)


class ChannelServer:
    """Serve one Unix socket of mode 0600 until ``stop``."""

    def __init__(self, path: Path, *, clock: Clock | None = None) -> None:
        self.path = path
        self.full_frame: Callable[[], Body] | None = None
        """Gives everything that a ``frame`` message may hold, for a subscriber that has nothing or missed something."""
        self._clock = SystemClock() if clock is None else clock
        self._answers: dict[str, Answer] = {}
        self._kept: dict[str, bytes] = {}
        self._subscribers: set[_Subscriber] = set()
        self._connections: set[asyncio.Task[Any]] = set()
        self._server: asyncio.Server | None = None

    @property
    def clients(self) -> int:
        """Return how many connections are open."""
        return len(self._subscribers)

    def register(self, what: str, answer: Answer) -> None:
        """Answer the question ``what``; a PlantviewError becomes a refusal with its text."""
        self._answers[what] = answer

    async def start(self) -> None:
        """Listen; StartRefused if another process already serves this plant."""
        private_folder(self.path.parent)
        await self._clear_path()
        try:
            self._server = await asyncio.start_unix_server(self._accept, self.path, limit=LINE_BYTES_MAX)
        except OSError as error:
            raise StartRefused(f"cannot listen on {self.path}: {error.strerror or error}") from error
        self.path.chmod(SOCKET_MODE)

    async def _clear_path(self) -> None:
        if not self.path.exists():
            return
        try:
            _, writer = await asyncio.open_unix_connection(self.path)
        except OSError:
            self.path.unlink(missing_ok=True)
            return
        writer.close()
        raise StartRefused(f"another field process serves this plant on {self.path}; stop that one first")

    async def stop(self) -> None:
        """Close every connection and remove the socket; harmless if not started."""
        if self._server is None:
            return
        self._server.close()
        self._server = None
        connections = tuple(self._connections)
        for connection in connections:
            connection.cancel()
        await asyncio.gather(*connections, return_exceptions=True)
        self.path.unlink(missing_ok=True)

    def publish(self, kind: str, body: Body) -> None:
        """Send a message to every subscriber that keeps up; encoded once, never waits.

        A ``hello`` begins anew: it is followed by everything.
        """
        line = encode(kind, body)
        if kind in KEPT:
            self._kept[kind] = line
        for subscriber in tuple(self._subscribers):
            if kind == "hello":
                self._send_everything(subscriber)
            else:
                self._deliver(subscriber, line)

    def _deliver(self, subscriber: _Subscriber, line: bytes) -> None:
        if subscriber.unsent() > BEHIND_BYTES:
            self._leave_behind(subscriber)
        elif subscriber.behind_since is not None:
            subscriber.behind_since = None
            self._send_everything(subscriber)
        else:
            subscriber.send(line)

    def _leave_behind(self, subscriber: _Subscriber) -> None:
        now = self._clock.monotonic_s()
        if subscriber.behind_since is None:
            subscriber.behind_since = now
        elif now - subscriber.behind_since > BEHIND_REAL_S_MAX:
            log.warning("a subscriber has not read for %.0f s and is disconnected", now - subscriber.behind_since)
            self._subscribers.discard(subscriber)
            subscriber.writer.transport.abort()

    def _send_everything(self, subscriber: _Subscriber) -> None:
        frame = [] if self.full_frame is None else [encode("frame", self.full_frame())]
        kept = [self._kept[kind] for kind in KEPT if kind in self._kept]
        for line in kept[:1] + frame + kept[1:]:
            subscriber.send(line)

    def _accept(self, reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        # a task of our own, so that stopping it is no error in the event loop's log
        connection = asyncio.create_task(self._serve(reader, writer))
        self._connections.add(connection)
        connection.add_done_callback(self._connections.discard)

    async def _serve(self, reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        if len(self._subscribers) >= CLIENTS_MAX:
            log.warning("connection refused: %d are open already", CLIENTS_MAX)
            writer.close()
            return
        subscriber = _Subscriber(writer)
        self._subscribers.add(subscriber)
        try:
            if "hello" in self._kept:
                self._send_everything(subscriber)
            await self._listen(reader, subscriber)
        except* (ChannelError, OSError, ValueError) as trouble:
            # ValueError is what a stream raises for a line above its limit
            log.warning("a connection is closed: %s", trouble.exceptions[0])
        finally:
            self._subscribers.discard(subscriber)
            writer.close()

    async def _listen(self, reader: asyncio.StreamReader, subscriber: _Subscriber) -> None:
        room = asyncio.Semaphore(ASKS_AT_ONCE)
        async with asyncio.TaskGroup() as group:
            while line := await reader.readline():
                message = decode(line)
                if message.kind != "ask":
                    raise ChannelError(f"a subscriber sent '{message.kind}' where only questions are taken")
                await room.acquire()
                group.create_task(self._answer(message, subscriber, room))

    async def _answer(self, message: Message, subscriber: _Subscriber, room: asyncio.Semaphore) -> None:
        try:
            line = await self._work_out(message)
            subscriber.send(line)
            with contextlib.suppress(OSError):
                await subscriber.writer.drain()
        finally:
            room.release()

    async def _work_out(self, message: Message) -> bytes:
        number, what, body = message.body.get("id"), message.body.get("what"), message.body.get("body")
        if not isinstance(number, int) or not isinstance(body, dict):
            raise ChannelError("a question without a number or a body")
        answer = self._answers.get(str(what))
        if answer is None:
            return encode_refusal(number, f"the field process does not answer '{what}'", "unknown-question")
        try:
            return encode_answer(number, await answer(body))
        except PlantviewError as error:
            return encode_refusal(number, str(error), _code(error))
        except Exception as error:  # border: a faulty question must not end the connection of every viewer
            log.exception("the question '%s' failed", what)
            return encode_refusal(number, f"'{what}' could not be answered ({type(error).__name__})", "failed")


def _code(error: PlantviewError) -> str:
    if isinstance(error, AskRefused):
        return error.code
    return re.sub(r"(?<!^)(?=[A-Z])", "-", type(error).__name__).lower()
