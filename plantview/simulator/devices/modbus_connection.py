"""One client of a Modbus TCP listener: frames out of the stream, answers back in order, late where a unit is slow."""

from __future__ import annotations

import asyncio
import struct
from collections import deque
from dataclasses import dataclass
from typing import Final, Protocol, cast

from typing_extensions import override

MBAP: Final = struct.Struct(">HHHB")
LENGTH_MIN, LENGTH_MAX = 2, 254
"""What the length field may hold: unit id and a PDU of 1 to 253 octets."""
CONNECTIONS_MAX: Final = 32
WAITING_MAX: Final = 32
"""Answers that may wait for a slow unit on one connection; requests beyond are lost."""


@dataclass(frozen=True, slots=True)
class Answer:
    """A response PDU and how many real seconds it takes."""

    pdu: bytes
    after_s: float = 0.0


class Listener(Protocol):
    """Whoever knows the answers."""

    def respond(self, unit_id: int, request: bytes, source: str) -> Answer | None: ...

    def admit(self, connection: Connection) -> bool: ...

    def forget(self, connection: Connection) -> None: ...


class Connection(asyncio.Protocol):
    """One client: takes frames out of the stream and answers them in order."""

    def __init__(self, listener: Listener) -> None:
        self._listener = listener
        self._received = bytearray()
        self._waiting: deque[tuple[bytes, float]] = deque()
        self._timer: asyncio.TimerHandle | None = None

    @override
    def connection_made(self, transport: asyncio.BaseTransport) -> None:
        self._transport = cast(asyncio.Transport, transport)
        self._source = "{}:{}".format(*transport.get_extra_info("peername")[:2])
        if not self._listener.admit(self):
            self.abort()

    @override
    def connection_lost(self, exc: Exception | None) -> None:
        if self._timer is not None:
            self._timer.cancel()
        self._listener.forget(self)

    @override
    def pause_writing(self) -> None:
        self._transport.pause_reading()  # a client that does not take its answers gets no more of them

    @override
    def resume_writing(self) -> None:
        self._transport.resume_reading()

    @override
    def data_received(self, data: bytes) -> None:
        self._received += data
        while len(self._received) >= MBAP.size:
            transaction, protocol, length, unit_id = MBAP.unpack_from(self._received)
            if protocol != 0 or not LENGTH_MIN <= length <= LENGTH_MAX:
                self.abort()  # no way to find the next frame in such a stream
                return
            end = MBAP.size - 1 + length
            if len(self._received) < end:
                return
            request = bytes(self._received[MBAP.size : end])
            del self._received[:end]
            answer = self._listener.respond(unit_id, request, self._source)
            if answer is not None:
                self._send(MBAP.pack(transaction, 0, len(answer.pdu) + 1, unit_id) + answer.pdu, answer.after_s)

    def abort(self) -> None:
        """Drop the connection."""
        self._transport.abort()

    def _send(self, frame: bytes, after_s: float) -> None:
        if after_s <= 0 and not self._waiting:
            self._transport.write(frame)
        elif len(self._waiting) < WAITING_MAX:
            self._waiting.append((frame, after_s))
            if self._timer is None:
                self._wait()

    def _wait(self) -> None:
        self._timer = asyncio.get_running_loop().call_later(self._waiting[0][1], self._due)

    def _due(self) -> None:
        self._timer = None
        self._transport.write(self._waiting.popleft()[0])
        if self._waiting:
            self._wait()
