"""A Modbus TCP device (or gateway) on loopback that behaves, or misbehaves in one named way.

Its octets are written out here as in the Modbus Application Protocol V1.1b3; it shares no line with
the drivers. A behaviour takes a request and returns octets to send, or None to close the connection.
"""

from __future__ import annotations

import asyncio
import struct
from collections.abc import AsyncIterator, Callable
from contextlib import asynccontextmanager
from dataclasses import dataclass, field


@dataclass(frozen=True)
class Request:
    """One request, taken apart."""

    transaction: int
    unit: int
    function: int
    first: int
    count: int


Behaviour = Callable[["Device", Request], bytes | None]


@dataclass
class Device:
    """Serves registers whose value is their address; ``asked`` keeps every request, ``links`` counts connections."""

    behaviour: Behaviour
    asked: list[Request] = field(default_factory=list)
    links: int = 0
    port: int = 0
    writers: list[asyncio.StreamWriter] = field(default_factory=list)

    async def serve(self, reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        self.links += 1
        self.writers.append(writer)
        try:
            while True:
                head = await reader.readexactly(7)
                transaction, _, length, unit = struct.unpack(">HHHB", head)
                pdu = await reader.readexactly(length - 1)
                request = Request(transaction, unit, pdu[0], *struct.unpack(">HH", pdu[1:5]))
                self.asked.append(request)
                octets = self.behaviour(self, request)
                if octets is None:
                    break
                writer.write(octets)
                await writer.drain()
        except (asyncio.IncompleteReadError, ConnectionError):
            pass
        finally:
            writer.close()


def frame(request: Request, pdu: bytes, **changed: int) -> bytes:
    """Return a frame around a PDU; ``transaction``, ``protocol``, ``length`` and ``unit`` may be changed."""
    parts = {"transaction": request.transaction, "protocol": 0, "length": len(pdu) + 1, "unit": request.unit, **changed}
    return struct.pack(">HHHB", parts["transaction"], parts["protocol"], parts["length"], parts["unit"]) + pdu


def registers(request: Request, *, function: int | None = None, count: int | None = None) -> bytes:
    """Return the PDU of a read; registers hold their address."""
    count = request.count if count is None else count
    words = struct.pack(f">{count}H", *(word % 65_536 for word in range(request.first, request.first + count)))
    return bytes((function or request.function, len(words))) + words


def honest(device: Device, request: Request) -> bytes:
    return frame(request, registers(request))


def exception(code: int) -> Behaviour:
    return lambda device, request: frame(request, bytes((request.function | 0x80, code)))


@asynccontextmanager
async def serving(behaviour: Behaviour, *, port: int = 0) -> AsyncIterator[Device]:
    """Serve until the block ends; every connection is closed then."""
    device = Device(behaviour)
    server = await asyncio.start_server(device.serve, "127.0.0.1", port)
    device.port = server.sockets[0].getsockname()[1]
    try:
        yield device
    finally:
        server.close()
        for writer in device.writers:
            writer.close()
        await server.wait_closed()
        for _ in range(5):
            await asyncio.sleep(0)
