"""A converter that passes serial frames through TCP unchanged, with one unit behind it, which may be late.

Like a real one it keeps no account of connections: an answer goes to whoever is connected when it comes.
Frames and check sum are written out here (Modbus over Serial Line V1.02, clauses 2.5.1 and 6.2.2, from memory).
"""

from __future__ import annotations

import asyncio
import struct
from collections.abc import AsyncIterator, Callable
from contextlib import asynccontextmanager
from dataclasses import dataclass, field


def check_sum(octets: bytes) -> bytes:
    """Return the CRC of a serial frame, low octet first, bit by bit from the polynomial x16 + x15 + x2 + 1."""
    remainder = 0xFFFF
    for octet in octets:
        for bit in range(8):
            lowest = remainder & 1 ^ octet >> bit & 1
            remainder >>= 1
            if lowest:
                remainder ^= 0xA001
    return struct.pack("<H", remainder)


@dataclass(frozen=True)
class Request:
    """One request, taken apart."""

    unit: int
    function: int
    first: int
    count: int


Behaviour = Callable[["Converter", Request], tuple[float, bytes]]
"""Returns how late the answer is [s], and its octets."""


@dataclass
class Converter:
    """Serves registers whose value is their address; ``asked`` keeps every request."""

    behaviour: Behaviour
    asked: list[Request] = field(default_factory=list)
    port: int = 0
    writer: asyncio.StreamWriter | None = None
    line: asyncio.Lock = field(default_factory=asyncio.Lock)
    answering: set[asyncio.Task[None]] = field(default_factory=set)

    async def serve(self, reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        self.writer = writer
        try:
            while True:
                octets = await reader.readexactly(8)
                assert check_sum(octets[:-2]) == octets[-2:], "a request with a wrong check sum"
                request = Request(*struct.unpack(">BBHH", octets[:6]))
                self.asked.append(request)
                task = asyncio.create_task(self._answer(request))
                self.answering.add(task)
                task.add_done_callback(self.answering.discard)
        except (asyncio.IncompleteReadError, ConnectionError):
            pass
        finally:
            writer.close()

    async def _answer(self, request: Request) -> None:
        delay_s, octets = self.behaviour(self, request)
        async with self.line:  # one after the other, as on a serial line
            await asyncio.sleep(delay_s)
            if self.writer is not None and not self.writer.is_closing():
                self.writer.write(octets)


def frame(request: Request, *, unit: int | None = None, count: int | None = None) -> bytes:
    count = request.count if count is None else count
    words = struct.pack(f">{count}H", *range(request.first, request.first + count))
    body = bytes((request.unit if unit is None else unit, request.function, len(words))) + words
    return body + check_sum(body)


def honest(converter: Converter, request: Request) -> tuple[float, bytes]:
    return 0.0, frame(request)


@asynccontextmanager
async def serving(behaviour: Behaviour) -> AsyncIterator[Converter]:
    """Serve until the block ends."""
    converter = Converter(behaviour)
    server = await asyncio.start_server(converter.serve, "127.0.0.1", 0)
    converter.port = server.sockets[0].getsockname()[1]
    try:
        yield converter
    finally:
        server.close()
        for task in tuple(converter.answering):
            task.cancel()
        if converter.writer is not None:
            converter.writer.close()
        await asyncio.gather(*converter.answering, return_exceptions=True)
        await server.wait_closed()
        for _ in range(5):
            await asyncio.sleep(0)
