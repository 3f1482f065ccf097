"""A loopback link as thin as a phone's: 256 kbit/s each way, 150 ms there and back, lost packets, and a dead spot.

A lost segment is sent again by TCP: what is behind it waits for the retransmission. So a loss is played as a pause of
one retransmission timeout (about RTT + 4 × variation, at least 200 ms in the kernel here; RFC 6298 recommends 1 s).
"""

from __future__ import annotations

import asyncio
import random
from collections.abc import AsyncIterator
from contextlib import asynccontextmanager, suppress
from dataclasses import dataclass, field

BYTES_PER_S = 256_000 / 8
ONE_WAY_S = 0.075
LOSS = 0.02
RETRANSMISSION_S = 0.35
SEGMENT_BYTES = 1_400


@dataclass
class NarrowLink:
    """Carries connections to one port; counts what came through, and can go dead."""

    port: int = 0
    down_bytes: int = 0
    up_bytes: int = 0
    lost: int = 0
    alive: asyncio.Event = field(default_factory=asyncio.Event)
    _free_s: dict[str, float] = field(default_factory=lambda: {"up": 0.0, "down": 0.0})
    _lots: random.Random = field(default_factory=lambda: random.Random(8))

    async def carry(self, way: str, reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        """Hand on what comes, each segment after the time that it takes; all connections share the line."""
        loop = asyncio.get_running_loop()
        waiting: asyncio.Queue[tuple[float, bytes]] = asyncio.Queue(64)

        async def arrive() -> None:
            while True:
                due_s, part = await waiting.get()
                await asyncio.sleep(max(0.0, due_s - loop.time()))
                await self.alive.wait()
                if not part:
                    writer.close()
                    return
                writer.write(part)
                await writer.drain()

        arriving = asyncio.create_task(arrive())
        with suppress(ConnectionError):
            while part := await reader.read(SEGMENT_BYTES):
                setattr(self, f"{way}_bytes", getattr(self, f"{way}_bytes") + len(part))
                begin_s = max(loop.time(), self._free_s[way])
                self._free_s[way] = begin_s + len(part) / BYTES_PER_S
                pause_s = RETRANSMISSION_S if self._lots.random() < LOSS else 0.0
                self.lost += pause_s > 0
                await waiting.put((self._free_s[way] + ONE_WAY_S + pause_s, part))
        await waiting.put((loop.time(), b""))
        with suppress(ConnectionError):
            await arriving


@asynccontextmanager
async def narrow_link(to_port: int) -> AsyncIterator[NarrowLink]:
    """Open a narrow link to a port of this computer until left."""
    link = NarrowLink()
    link.alive.set()
    open_now: set[asyncio.Task[None]] = set()

    async def accepted(reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        task = asyncio.current_task()
        assert task is not None
        open_now.add(task)
        try:
            far_reader, far_writer = await asyncio.open_connection("127.0.0.1", to_port)
            async with asyncio.TaskGroup() as group:
                group.create_task(link.carry("up", reader, far_writer))
                group.create_task(link.carry("down", far_reader, writer))
        except (OSError, asyncio.CancelledError):
            writer.close()
        finally:
            open_now.discard(task)

    server = await asyncio.start_server(accepted, "127.0.0.1", 0)
    link.port = server.sockets[0].getsockname()[1]
    try:
        yield link
    finally:
        server.close()
        link.alive.set()
        for task in tuple(open_now):
            task.cancel()
        await asyncio.gather(*open_now, return_exceptions=True)
