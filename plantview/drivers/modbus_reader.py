"""Reads through one connection, Modbus TCP or serial frames over TCP. It cannot write: it has no method for it.

pymodbus carries the frames. What it leaves out is done here: it accepts an answer of another
function code or with another count, keeps a caller waiting for its timeout when the link is
already lost, and takes an answer from any unit to a question put to unit 0.

Serial frames carry no transaction number. One answer that comes after its deadline would be taken
for the answer to the next question, and so on for ever; so the line is left quiet first.
"""

from __future__ import annotations

import asyncio
import logging
from collections.abc import Awaitable, Callable
from struct import error as struct_error
from typing import Final, TypeVar

from pymodbus import FramerType
from pymodbus.client import AsyncModbusTcpClient
from pymodbus.exceptions import ModbusException
from pymodbus.pdu import ModbusPDU

from plantview.drivers.exchange import Trace, exchange, ignore
from plantview.drivers.modbus_frames import MISFIT
from plantview.drivers.quiet import QuietLine
from plantview.errors import DeviceRefused, DeviceSilent, DeviceUnreachable, DriverError, ReplyUnusable

FUNCTION: Final = {"coil": 1, "discrete": 2, "holding": 3, "input": 4}
REGISTERS_MAX: Final = 125
BITS_MAX: Final = 2_000
"""Per request: Modbus Application Protocol V1.1b3, clauses 6.1 to 6.4."""
ILLEGAL_ADDRESS: Final = "2"
ILLEGAL_VALUE: Final = "3"
EXCEPTIONS: Final = {
    1: "illegal function",
    2: "illegal data address",
    3: "illegal data value",
    4: "server device failure",
    5: "acknowledge",
    6: "server device busy",
    8: "memory parity error",
    10: "gateway path unavailable",
    11: "gateway target device failed to respond",
}
"""Modbus Application Protocol V1.1b3, clause 7."""
UNDECODABLE: Final = (ModbusException, ValueError, struct_error, LookupError, TypeError, AttributeError)
"""What pymodbus raises over octets that are no answer of any kind it knows."""
_UNIT_SILENT: Final = frozenset({10, 11})
SILENCES_MAX: Final = 3
"""Requests in a row without an answer, over all units, after which the connection is opened anew."""
SERIAL_OVERHEAD: Final = 5
"""Unit, function, octet count and two octets of check sum around the content of a serial answer."""
FRAMERS: Final = {"tcp": FramerType.SOCKET, "rtu": FramerType.RTU}
_PYMODBUS_TIMEOUT_S: Final = 60.0
"""Behind every deadline of ours, so that there is one deadline and not two."""

# Every timeout is logged there at ERROR with twenty frames; the failure is ours to name.
logging.getLogger("pymodbus.logging").setLevel(logging.CRITICAL)

_Result = TypeVar("_Result")


class _LinkLost(Exception):
    """The other side closed the connection, or pymodbus did over octets that it could not decode."""


class ModbusReader:
    """One connection to one gateway or device, one request at a time; close it when done."""

    def __init__(self, host: str, port: int, framer: str = "tcp") -> None:
        self._host, self._port, self._framer = host, port, framer
        self._quiet = QuietLine() if framer == "rtu" else None
        self._client: AsyncModbusTcpClient | None = None
        self._sent = self._received = b""
        self._silences = 0

    def close(self) -> None:
        """Close the connection; the next request opens it again."""
        if self._client is not None:
            self._client.close()
            self._client = None

    async def read(
        self, device: str, unit: int, table: str, first: int, count: int, *, within_s: float, trace: Trace = ignore
    ) -> list[int]:
        """Return ``count`` registers (or bits, as 0 and 1) from ``first``: all of them, or a DriverError by name."""
        if unit == 0 or not 0 < count <= (REGISTERS_MAX if FUNCTION[table] > 2 else BITS_MAX):
            raise ValueError(f"unit {unit}, count {count}: not to be sent")

        async def registers() -> list[int]:
            words = await self._read(device, unit, table, first, count)
            await self._stood_alone(device, FUNCTION[table], count)
            return words

        return await self._within(device, unit, within_s, trace, registers)

    async def identity(self, device: str, unit: int, *, within_s: float, trace: Trace = ignore) -> dict[int, str]:
        """Return what a unit says of itself: 0 its maker, 1 its product code, 2 its revision, further numbers if told.

        Read Device Identification, function 43 type 14, basic: Modbus Application Protocol V1.1b3, clause 6.21.
        """

        async def told() -> dict[int, str]:
            client = await self._connected(device)
            reply = await self._reply(device, unit, client.read_device_information(read_code=1, device_id=unit))
            if reply.isError():
                raise _refused(device, unit, int(getattr(reply, "exception_code", 0)))
            found = dict(getattr(reply, "information", {}))
            return {int(number): bytes(octets).decode("utf-8", "replace") for number, octets in found.items()}

        return await self._within(device, unit, within_s, trace, told)

    async def _within(
        self, device: str, unit: int, within_s: float, trace: Trace, work: Callable[[], Awaitable[_Result]]
    ) -> _Result:
        """Do one exchange within its deadline; every end of it is traced, every failure named."""
        if self._quiet:
            await self._quiet.over()
        self._sent = self._received = b""
        try:
            async with asyncio.timeout(within_s):
                done = await work()
        except TimeoutError:
            late = self._timed_out(device, unit, within_s)
            trace(exchange(self._sent, self._received, late.detail))
            await self._leave_quiet(within_s)
            raise late from None
        except DriverError as error:
            trace(exchange(self._sent, self._received, error.detail))
            if not isinstance(error, DeviceRefused):
                await self._leave_quiet(within_s)
            raise
        self._silences = 0
        trace(exchange(self._sent, self._received, "ok"))
        return done

    async def _leave_quiet(self, within_s: float) -> None:
        """Let an answer that is still under way arrive: the failure includes this wait, since it holds up the line."""
        if self._quiet and self._sent:
            self._quiet.begin(within_s)
            await self._quiet.over()

    async def _stood_alone(self, device: str, function: int, count: int) -> None:
        if self._quiet is None:
            return
        size = SERIAL_OVERHEAD + (2 * count if function > 2 else -(-count // 8))
        if len(self._received) != size or not await self._quiet.stood_alone():
            raise ReplyUnusable(device, "answers came one question late")

    async def _read(self, device: str, unit: int, table: str, first: int, count: int) -> list[int]:
        client = await self._connected(device)
        function = FUNCTION[table]
        call: Callable[..., Awaitable[ModbusPDU]] = {
            1: client.read_coils,
            2: client.read_discrete_inputs,
            3: client.read_holding_registers,
            4: client.read_input_registers,
        }[function]
        reply = await self._reply(device, unit, call(first, count=count, device_id=unit))
        if self._framer == "tcp" and reply.transaction_id != int.from_bytes(self._sent[:2], "big"):
            raise ReplyUnusable(device, "an answer to a question that was not asked")  # pymodbus lets number 0 pass
        return _words(device, unit, function, count, reply)

    async def _reply(self, device: str, unit: int, call: Awaitable[ModbusPDU]) -> ModbusPDU:
        try:
            return await _cancellable(call)
        except _LinkLost:
            raise self._unanswered(device, unit, "the connection was closed without an answer") from None
        except (ModbusException, ValueError, struct_error, OSError) as error:
            raise ReplyUnusable(device, f"an answer that cannot be used: {error}") from error

    async def _connected(self, device: str) -> AsyncModbusTcpClient:
        if self._client is not None and self._client.connected:
            return self._client
        self.close()
        client = self._client = AsyncModbusTcpClient(
            self._host,
            port=self._port,
            framer=FRAMERS[self._framer],
            retries=0,
            reconnect_delay=0,  # polling owns pace and connection: a second owner leaks sockets
            timeout=_PYMODBUS_TIMEOUT_S,
            trace_packet=self._keep,
            trace_connect=self._on_link,
        )
        client.ctx.callback_data = self._decodable(client.ctx.callback_data)  # type: ignore[method-assign]
        if not await _cancellable(client.connect()):
            self.close()
            raise DeviceUnreachable(device, f"no connection to {self._host}:{self._port}")
        return client

    def _decodable(self, decode: Callable[..., int]) -> Callable[..., int]:
        """Return pymodbus's decoding with its failures kept from asyncio, which would log a page for each."""

        def decoded(data: bytes, addr: tuple[str, int] | None = None) -> int:
            try:
                return decode(data, addr)
            except UNDECODABLE:
                self._on_link(up=False)
                return len(data)

        return decoded

    def _on_link(self, up: bool) -> None:
        """Fail the request in flight when the link is lost: pymodbus itself would wait for its timeout."""
        if up or self._client is None:
            return
        waiting = self._client.ctx.response_future
        if self._sent and not waiting.done():
            waiting.set_exception(_LinkLost())

    def _keep(self, sending: bool, octets: bytes) -> bytes:
        if sending:
            self._sent = octets
            if self._quiet:
                self._quiet.asked()
        else:
            self._received = octets
            if self._quiet:
                self._quiet.heard(waited_for=self._waiting())
        return octets

    def _waiting(self) -> bool:
        return self._client is not None and not self._client.ctx.response_future.done()

    def _timed_out(self, device: str, unit: int, within_s: float) -> DriverError:
        if self._sent:
            return self._unanswered(device, unit, f"no answer in {within_s:g} s")
        self.close()
        return DeviceUnreachable(device, f"no connection to {self._host}:{self._port} in {within_s:g} s")

    def _unanswered(self, device: str, unit: int, why: str) -> DriverError:
        """Tell a device that says nothing from one whose answer was thrown away because it fits no question."""
        misfit = MISFIT[self._framer](self._sent, self._received, unit)
        self._silences += 1
        if misfit or self._silences >= SILENCES_MAX:
            self._silences = 0
            self.close()
        return ReplyUnusable(device, misfit) if misfit else DeviceSilent(device, why)


async def _cancellable(work: Awaitable[_Result]) -> _Result:
    """Await; raise the cancellation that ``asyncio.wait_for`` loses before Python 3.12 when the answer comes with it."""
    task = asyncio.current_task()
    before = task.cancelling() if task else 0
    result = await work
    if task is not None and task.cancelling() > before:
        raise asyncio.CancelledError
    return result


def _words(device: str, unit: int, function: int, count: int, reply: ModbusPDU) -> list[int]:
    if reply.dev_id != unit:
        raise ReplyUnusable(device, f"an answer of unit {reply.dev_id} to a question to unit {unit}")
    if reply.function_code & 0x7F != function:
        raise ReplyUnusable(device, f"an answer of function {reply.function_code & 0x7F} to function {function}")
    if reply.isError():
        raise _refused(device, unit, int(getattr(reply, "exception_code", 0)))
    words = [int(word) for word in (reply.registers if function > 2 else reply.bits)]
    expected = count if function > 2 else -(-count // 8) * 8
    if len(words) != expected:
        what = "registers" if function > 2 else "bits"
        raise ReplyUnusable(device, f"asked for {expected} {what}, got {len(words)}")
    return words[:count]


def _refused(device: str, unit: int, code: int) -> DriverError:
    word = EXCEPTIONS.get(code, "no published meaning")
    if code in _UNIT_SILENT:
        return DeviceSilent(device, f"the gateway gets no answer from unit {unit}: {word}", code=str(code))
    return DeviceRefused(device, f"refused by the device: exception {code}, {word}", code=str(code))
