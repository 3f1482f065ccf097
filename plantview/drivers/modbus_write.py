"""The one place that writes to a Modbus device: one request per call (function 5, 6 or 16), never repeated.

pymodbus carries the frame; the echo is compared here, because pymodbus does not. Each call has a
connection of its own: the polling's belongs to a reader, which has no method for this.
"""

from __future__ import annotations

import asyncio
import math
import struct
from collections.abc import Mapping
from struct import error as struct_error
from typing import Any, Final

from pymodbus import FramerType
from pymodbus.client import AsyncModbusTcpClient
from pymodbus.exceptions import ModbusException
from pymodbus.pdu import ModbusPDU

from plantview.drivers.modbus_decode import decoder, raw_value
from plantview.drivers.modbus_reader import EXCEPTIONS
from plantview.errors import DeviceRefused, DeviceSilent, DeviceUnreachable, ReplyUnusable
from plantview.model.plant import Device
from plantview.model.point import ModbusAddress, Point

WRITE_COIL, WRITE_REGISTER, WRITE_REGISTERS = 5, 6, 16
FUNCTIONS: Final = frozenset({WRITE_COIL, WRITE_REGISTER, WRITE_REGISTERS})
Untyped = Any
"""A reply of pymodbus: which attributes it has depends on its function."""
_FLOATS: Final = {"float32": struct.Struct(">f"), "float64": struct.Struct(">d")}
_WHOLE: Final[Mapping[str, tuple[int, int]]] = {
    f"{sign}int{bits}": (0 if sign else -(1 << bits - 1), (1 << bits) - 1 if sign else (1 << bits - 1) - 1)
    for sign in ("", "u")
    for bits in (16, 32, 64)
}
"""Whole types that can be written, with their lowest and highest raw value."""
_OCTETS_SWAPPED: Final = frozenset({"BADC", "DCBA"})
_WORDS_REVERSED: Final = frozenset({"CDAB", "DCBA"})
_TARGET_SILENT: Final = frozenset({10, 11})
"""Exceptions of a gateway that got no answer: whether its device did it is unknown."""


def function_of(address: ModbusAddress, wanted: int = 0) -> int:
    """Return the function that writes an address, ``wanted`` where the point says so (0: as its size asks for).

    ValueError for what cannot be written: read-only tables, parts of a register, texts, packed digits.
    """
    if address.table not in {"holding", "coil"}:
        raise ValueError(f"{address.table} registers cannot be written")
    if address.table == "coil":
        own = WRITE_COIL
    elif address.kind not in _WHOLE and address.kind not in _FLOATS:
        raise ValueError(f"a value of type {address.kind} shares its register with others, or is no plain number")
    elif address.scale_register is not None:
        raise ValueError("a value whose scale stands in another register is not written")
    else:
        own = WRITE_REGISTER if address.count == 1 else WRITE_REGISTERS
    if wanted in {0, own} or (wanted == WRITE_REGISTERS and own == WRITE_REGISTER):
        return wanted or own
    raise ValueError(f"function {wanted} does not write {address.count} register(s) of {address.table}")


def encode(point: Point, value: float) -> tuple[int, ...]:
    """Return the registers (or the one bit) that stand for a value; ValueError for what must not be sent.

    What comes back when they are read again is within half a step of the register of ``value``.
    """
    address = point.address
    if not isinstance(address, ModbusAddress):
        raise TypeError(f"{point.name} is no Modbus point")
    function_of(address)
    if type(value) not in {int, float} or not math.isfinite(value):
        raise ValueError(f"{value!r} is no number that may be written")
    if address.table == "coil":
        if value not in {0, 1}:
            raise ValueError(f"a coil is 0 or 1, not {value:g}")
        return (int(value),)
    raw = _raw(address, (value - address.offset) / address.scale)
    if raw in _sentinels(address):
        raise ValueError(f"{value:g} would be written as the device's mark for no value")
    return _words(raw, address)


def _raw(address: ModbusAddress, scaled: float) -> int:
    if address.kind in _FLOATS:
        try:
            return int.from_bytes(_FLOATS[address.kind].pack(scaled), "big")
        except OverflowError:
            raise ValueError(f"{scaled:g} does not fit {address.kind}") from None
    low, high = _WHOLE[address.kind]
    if not low - 0.5 <= scaled <= high + 0.5 or not low <= round(scaled) <= high:
        raise ValueError(f"raw {scaled:g} does not fit {address.kind}")
    number = round(scaled)
    return number % (1 << 16 * address.count)


def _sentinels(address: ModbusAddress) -> set[int]:
    modulus = 1 << 16 * address.count
    return {mark % modulus for mark in (*address.not_available, *address.over, *address.under)}


def _words(raw: int, address: ModbusAddress) -> tuple[int, ...]:
    words = [raw >> 16 * at & 0xFFFF for at in reversed(range(address.count))]
    if address.order in _OCTETS_SWAPPED:
        words = [(word & 0xFF) << 8 | word >> 8 for word in words]
    return tuple(reversed(words) if address.order in _WORDS_REVERSED else words)


def decoded(point: Point, registers: tuple[int, ...]) -> float | None:
    """Return the value of registers as read; None where they hold none."""
    address = point.address
    if not isinstance(address, ModbusAddress):
        raise TypeError(f"{point.name} is no Modbus point")
    value = decoder(address, point.states)(registers)
    return value if isinstance(value, float) else None


def raw_of(point: Point, registers: tuple[int, ...]) -> int:
    """Return registers as one unsigned number, as a person reads them off a map."""
    address = point.address
    return raw_value(registers, address.order) if isinstance(address, ModbusAddress) else 0


class ModbusWriter:
    """Writes to devices behind TCP; keeps nothing open."""

    async def put(self, device: Device, address: ModbusAddress, words: tuple[int, ...], function: int) -> None:
        """Send one write request. Exactly one frame, never repeated.

        Returns when the device echoed it; DeviceRefused if it answered no, DeviceSilent or ReplyUnusable if
        nobody knows, DeviceUnreachable if nothing was sent. ValueError for what must never reach a wire.
        """
        if not 1 <= device.unit <= 255 or device.framer != "tcp":
            raise ValueError(f"unit {device.unit} behind {device.framer} frames is never written to")
        if function != function_of(address, function) or len(words) != address.count:
            raise ValueError(f"{len(words)} register(s) by function {function}: not to be sent")
        sent = _Sent()
        client = AsyncModbusTcpClient(
            device.host, port=device.port, framer=FramerType.SOCKET, retries=0, reconnect_delay=0, timeout=60.0,
            trace_packet=sent.keep,
        )  # fmt: skip
        try:
            async with asyncio.timeout(device.timeout_s):
                if not await client.connect():
                    raise DeviceUnreachable(device.id, f"no connection to {device.address}")
                reply = await _call(client, device.unit, address, words, function)
        except TimeoutError:
            if not sent.octets:
                raise DeviceUnreachable(device.id, f"no connection to {device.address}") from None
            raise DeviceSilent(
                device.id, f"no answer in {device.timeout_s:g} s: whether it was done is unknown"
            ) from None
        except (ModbusException, ValueError, struct_error, OSError) as error:
            if not sent.octets:
                raise DeviceUnreachable(device.id, f"nothing was sent: {error}") from error
            raise DeviceSilent(
                device.id, f"the connection was lost: whether it was done is unknown ({error})"
            ) from error
        finally:
            client.close()
        _check_echo(device, address, words, function, reply)


class _Sent:
    """What has left on one connection."""

    def __init__(self) -> None:
        self.octets = b""

    def keep(self, sending: bool, octets: bytes) -> bytes:
        if sending:
            self.octets = octets
        return octets


async def _call(
    client: AsyncModbusTcpClient, unit: int, address: ModbusAddress, words: tuple[int, ...], function: int
) -> ModbusPDU:
    if function == WRITE_COIL:
        return await client.write_coil(address.first, bool(words[0]), device_id=unit)
    if function == WRITE_REGISTER:
        return await client.write_register(address.first, words[0], device_id=unit)
    return await client.write_registers(address.first, list(words), device_id=unit)


def _check_echo(device: Device, address: ModbusAddress, words: tuple[int, ...], function: int, reply: Untyped) -> None:
    if reply.isError():
        code = int(getattr(reply, "exception_code", 0))
        word = EXCEPTIONS.get(code, "no published meaning")
        if code in _TARGET_SILENT:
            raise DeviceSilent(
                device.id, f"the gateway got no answer: {word}; whether it was done is unknown", code=str(code)
            )
        raise DeviceRefused(device.id, f"refused by the device: exception {code}, {word}", code=str(code))
    if reply.dev_id != device.unit or reply.function_code != function or reply.address != address.first:
        raise ReplyUnusable(device.id, "the answer does not repeat what was written")
    if function == WRITE_REGISTERS:
        agrees = reply.count == len(words)
    else:
        echoed = reply.bits[:1] if function == WRITE_COIL else reply.registers[:1]
        agrees = [int(one) for one in echoed] == [int(one) for one in words]
    if not agrees:
        raise ReplyUnusable(device.id, "the answer does not repeat what was written")
