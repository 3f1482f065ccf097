"""A Modbus TCP listener with one or several units behind it.

Frames follow the MODBUS Messaging on TCP/IP Implementation Guide V1.0b, section 3.1.3 (MBAP
header). Requests are answered in the order in which they come, also when several arrive
in one segment. An absent unit is answered with exception 0x0B, as a gateway does.
"""

from __future__ import annotations

import asyncio
import struct
from collections.abc import Mapping
from typing import Final, cast

from typing_extensions import override

from plantview.simulator.devices.contract import WriteRecord, WriteRequest
from plantview.simulator.devices.listening import start_refused
from plantview.simulator.devices.modbus_pdu import GATEWAY_TARGET_SILENT, WRITES, answer, refusal
from plantview.simulator.devices.register_map import RegisterMap

MBAP: Final = struct.Struct(">HHHB")
LENGTH_MIN, LENGTH_MAX = 2, 254
"""What the length field may hold: unit id and a PDU of 1 to 253 octets."""
CONNECTIONS_MAX: Final = 32


class Unit:
    """One device behind the gateway."""

    def __init__(self, device: str, registers: RegisterMap) -> None:
        self.device = device
        self.registers = registers
        self.present = False
        """Whether it is powered and on the bus."""
        self.silent = False
        """Whether it hears and does not answer; the gateway then stays silent too."""


class ModbusGateway:
    """Listens on one address for as long as at least one of its units is present."""

    def __init__(self, host: str, port: int, units: Mapping[int, Unit], writes: WriteRecord) -> None:
        self.host = host
        self.port = port
        self.units = units
        self._writes = writes
        self._server: asyncio.Server | None = None
        self._connections: set[_Connection] = set()

    async def start(self, unit_id: int) -> None:
        """Put a unit on the bus and listen; StartRefused if the address cannot be had."""
        unit = self.units[unit_id]
        if self._server is None:
            try:
                self._server = await asyncio.get_running_loop().create_server(
                    lambda: _Connection(self), self.host, self.port
                )
            except OSError as error:
                raise start_refused(unit.device, "TCP", self.host, self.port, error) from error
        unit.present = True

    async def stop(self, unit_id: int) -> None:
        """Take a unit off the bus; with the last one the listener and its connections close."""
        self.units[unit_id].present = False
        if self._server is None or any(unit.present for unit in self.units.values()):
            return
        server, self._server = self._server, None
        server.close()
        for connection in tuple(self._connections):
            connection.abort()
        await server.wait_closed()
        await asyncio.sleep(0)  # lets the aborted transports close their sockets

    def respond(self, unit_id: int, request: bytes, source: str) -> bytes | None:
        """Return the response PDU, or None when the unit does not answer."""
        unit = self.units.get(unit_id)
        if unit is None or not unit.present:
            return refusal(request[0], GATEWAY_TARGET_SILENT)
        if request[0] in WRITES:
            self._writes.add(WriteRequest(unit.device, source, f"function {request[0]}", request[1:].hex(" ", 2)))
        return None if unit.silent else answer(request, unit.registers)

    def admit(self, connection: _Connection) -> bool:
        """Take a connection in, unless there are too many."""
        if len(self._connections) >= CONNECTIONS_MAX:
            return False
        self._connections.add(connection)
        return True

    def forget(self, connection: _Connection) -> None:
        """Drop a connection that ended."""
        self._connections.discard(connection)


class _Connection(asyncio.Protocol):
    """One client: takes frames out of the stream and answers them in order."""

    def __init__(self, gateway: ModbusGateway) -> None:
        self._gateway = gateway
        self._received = bytearray()

    @override
    def connection_made(self, transport: asyncio.BaseTransport) -> None:
        self._transport = cast(asyncio.Transport, transport)
        self._source = "{}:{}".format(*transport.get_extra_info("peername")[:2])
        if not self._gateway.admit(self):
            self.abort()

    @override
    def connection_lost(self, exc: Exception | None) -> None:
        self._gateway.forget(self)

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
            response = self._gateway.respond(unit_id, request, self._source)
            if response is not None:
                self._transport.write(MBAP.pack(transaction, 0, len(response) + 1, unit_id) + response)

    def abort(self) -> None:
        self._transport.abort()
