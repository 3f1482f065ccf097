"""Viewers of the live socket without a browser, processes with their CPU time, and a relay that counts bytes."""

from __future__ import annotations

import asyncio
import contextlib
import time
from collections.abc import AsyncIterator
from contextlib import asynccontextmanager
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from websockets.asyncio.client import ClientConnection, connect

MESSAGE_BYTES_MAX = 16_000_000


def cpu_s(pid: int) -> float:
    """Return seconds of CPU that all threads of a process have used, to the nanosecond (proc(5), schedstat)."""
    return sum(int(each.read_text().split()[0]) for each in Path(f"/proc/{pid}/task").glob("*/schedstat")) / 1e9


@dataclass
class Heard:
    """What the viewers of one socket were sent since it was last emptied."""

    messages: int = 0
    text_bytes: int = 0
    first: list[tuple[float, str | bytes]] = field(default_factory=list)
    """Every message of the first viewer with the time at which it came."""

    def forget(self) -> None:
        """Begin to count anew."""
        self.messages = self.text_bytes = 0
        self.first.clear()


async def _listen(viewer: ClientConnection, heard: Heard, *, first: bool) -> None:
    async for message in viewer:
        heard.messages += 1
        heard.text_bytes += len(message)
        if first:
            heard.first.append((time.monotonic(), message))


@asynccontextmanager
async def viewers(url: str, count: int) -> AsyncIterator[Heard]:
    """Hold so many viewers of a socket open; they offer compression as a browser does."""
    heard = Heard()
    origin: Any = url.replace("ws://", "http://").rpartition("/")[0]
    async with contextlib.AsyncExitStack() as stack, asyncio.TaskGroup() as group:
        opened = [
            await stack.enter_async_context(connect(url, origin=origin, max_size=MESSAGE_BYTES_MAX))
            for _ in range(count)
        ]
        listening = [group.create_task(_listen(viewer, heard, first=place == 0)) for place, viewer in enumerate(opened)]
        yield heard
        for task in listening:
            task.cancel()


@dataclass
class Relay:
    """Carries connections to a port and counts."""

    port: int = 0
    up_bytes: int = 0
    down_bytes: int = 0
    open_now: set[asyncio.Task[Any]] = field(default_factory=set)

    def cut(self) -> None:
        """End every connection, as a link does that drops."""
        for task in tuple(self.open_now):
            task.cancel()

    async def carry(self, way: str, reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        """Hand on what comes until it ends."""
        with contextlib.suppress(ConnectionError):
            while part := await reader.read(65_536):
                setattr(self, way, getattr(self, way) + len(part))
                writer.write(part)
                await writer.drain()
        writer.close()


@asynccontextmanager
async def relay(to_port: int) -> AsyncIterator[Relay]:
    """Open a relay to a port of this computer until left."""
    made = Relay()

    async def accepted(reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        task = asyncio.current_task()
        assert task is not None
        made.open_now.add(task)
        ends = [writer]
        try:
            far_reader, far_writer = await asyncio.open_connection("127.0.0.1", to_port)
            ends.append(far_writer)
            async with asyncio.TaskGroup() as group:
                group.create_task(made.carry("up_bytes", reader, far_writer))
                group.create_task(made.carry("down_bytes", far_reader, writer))
        except (OSError, asyncio.CancelledError):
            pass  # border: nobody is there, or the link was cut; the connection ends either way
        finally:
            made.open_now.discard(task)
            for end in ends:
                end.transport.abort()
                with contextlib.suppress(OSError):
                    await end.wait_closed()

    server = await asyncio.start_server(accepted, "127.0.0.1", 0)
    made.port = server.sockets[0].getsockname()[1]
    try:
        yield made
    finally:
        server.close()
        made.cut()
        await asyncio.gather(*made.open_now, return_exceptions=True)


@asynccontextmanager
async def beside(*words: str) -> AsyncIterator[asyncio.subprocess.Process]:
    """Run a program with open pipes until left; closing its standard input ends it."""
    pipe = asyncio.subprocess.PIPE
    process = await asyncio.create_subprocess_exec(*words, stdin=pipe, stdout=pipe, limit=4_000_000)
    assert process.stdin is not None
    try:
        yield process
    finally:
        process.stdin.close()
        try:
            async with asyncio.timeout(10):
                await process.wait()
        except TimeoutError:
            process.kill()
            await process.wait()
