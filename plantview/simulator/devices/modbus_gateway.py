"""A Modbus TCP listener with one or several units behind it.

Frames follow the MODBUS Messaging on TCP/IP Implementation Guide V1.0b, section 3.1.3 (MBAP
header). Requests are answered in the order in which they come, also when several arrive
in one segment. An absent unit is answered with exception 0x0B, as a gateway does: at once where
nobody ever was, after its own patience where a unit has died.
"""

from __future__ import annotations

import asyncio
from collections.abc import Mapping
from dataclasses import dataclass, field

from plantview.simulator.devices.contract import WriteRecord, WriteRequest
from plantview.simulator.devices.listening import start_refused
from plantview.simulator.devices.modbus_connection import CONNECTIONS_MAX, Answer, Connection
from plantview.simulator.devices.modbus_pdu import GATEWAY_TARGET_SILENT, WRITES, answer, refusal
from plantview.simulator.devices.register_map import RegisterMap


@dataclass(slots=True, eq=False)
class Unit:
    """One device behind the gateway."""

    device: str
    registers: RegisterMap
    present: bool = field(default=False, init=False)
    """Whether it is powered and on the bus."""
    silent: bool = field(default=False, init=False)
    """Whether it hears and does not answer; the gateway then stays silent too."""
    latency_s: float = field(default=0.0, init=False)
    """Real seconds that it takes to answer."""
    dead_after_s: float | None = field(default=None, init=False)
    """Real seconds after which the gateway gives a dead unit up; None while it lives."""


class ModbusGateway:
    """Listens on one address for as long as at least one of its units is present."""

    def __init__(self, host: str, port: int, units: Mapping[int, Unit], writes: WriteRecord) -> None:
        self.host = host
        self.port = port
        self.units = dict(units)
        """By the number that each answers to."""
        self._own = units
        self._moved: dict[Unit, int] = {}
        self._writes = writes
        self._server: asyncio.Server | None = None
        self._connections: set[Connection] = set()

    async def start(self, unit: Unit) -> None:
        """Put a unit on the bus and listen; StartRefused if the address cannot be had."""
        if self._server is None:
            try:
                self._server = await asyncio.get_running_loop().create_server(self._connection, self.host, self.port)
            except OSError as error:
                raise start_refused(unit.device, "TCP", self.host, self.port, error) from error
        unit.present = True

    async def stop(self, unit: Unit) -> None:
        """Take a unit off the bus; with the last one the listener and its connections close."""
        unit.present = False
        if self._server is None or any(other.present for other in self._own.values()):
            return
        server, self._server = self._server, None
        server.close()
        for connection in tuple(self._connections):
            connection.abort()
        await server.wait_closed()
        await asyncio.sleep(0)  # lets the aborted transports close their sockets

    def renumber(self, unit: Unit, number: int | None) -> None:
        """Let a unit answer to another number, None to its own; a unit that has that number too is drowned out."""
        self._moved.pop(unit, None)
        if number is not None:
            self._moved[unit] = number
        staying = {at: other for at, other in self._own.items() if other not in self._moved}
        self.units = staying | {at: other for other, at in self._moved.items()}

    def respond(self, unit_id: int, request: bytes, source: str) -> Answer | None:
        """Return the response PDU and when to send it, or None when the unit does not answer."""
        unit = self.units.get(unit_id)
        if unit is None or not unit.present:
            return Answer(refusal(request[0], GATEWAY_TARGET_SILENT))
        if unit.dead_after_s is not None:
            return Answer(refusal(request[0], GATEWAY_TARGET_SILENT), unit.dead_after_s)
        if request[0] in WRITES:
            self._writes.add(WriteRequest(unit.device, source, f"function {request[0]}", request[1:].hex(" ", 2)))
        return None if unit.silent else Answer(answer(request, unit.registers), unit.latency_s)

    def admit(self, connection: Connection) -> bool:
        """Take a connection in, unless there are too many."""
        if len(self._connections) >= CONNECTIONS_MAX:
            return False
        self._connections.add(connection)
        return True

    def forget(self, connection: Connection) -> None:
        """Drop a connection that ended."""
        self._connections.discard(connection)

    def _connection(self) -> Connection:
        return Connection(self)
