"""Answers to Modbus requests, as the Modbus Application Protocol V1.1b3, section 6, asks for."""

from __future__ import annotations

import struct
from collections.abc import Callable, Sequence
from typing import Final

from plantview.simulator.devices.register_map import NoSuchRegister, RegisterMap, ValueRefused

ILLEGAL_FUNCTION: Final = 1
ILLEGAL_ADDRESS: Final = 2
ILLEGAL_VALUE: Final = 3
GATEWAY_TARGET_SILENT: Final = 0x0B

READ_BITS_MAX: Final = 2_000  # sections 6.1, 6.2
READ_REGISTERS_MAX: Final = 125  # sections 6.3, 6.4
WRITE_BITS_MAX: Final = 1_968  # section 6.11
WRITE_REGISTERS_MAX: Final = 123  # section 6.12
COIL: Final = {0xFF00: 1, 0x0000: 0}  # section 6.5: every other value is illegal
WRITES: Final = frozenset({5, 6, 15, 16})


class _Illegal(Exception):
    """The request itself is wrong (exception 3)."""


def answer(request: bytes, registers: RegisterMap) -> bytes:
    """Return the response PDU to a request PDU; a refusal is an exception response, never a raise."""
    function = request[0]
    if function not in _SERVICES:
        return refusal(function, ILLEGAL_FUNCTION)
    try:
        return _SERVICES[function](request, registers)
    except (_Illegal, ValueRefused, struct.error):
        return refusal(function, ILLEGAL_VALUE)
    except NoSuchRegister:
        return refusal(function, ILLEGAL_ADDRESS)


def refusal(function: int, code: int) -> bytes:
    """Return an exception response (section 7)."""
    return bytes((function & 0x7F | 0x80, code))


def _read_bits(table: str) -> Callable[[bytes, RegisterMap], bytes]:
    def service(request: bytes, registers: RegisterMap) -> bytes:
        function, first, count = struct.unpack(">BHH", request)
        _require(1 <= count <= READ_BITS_MAX)
        data = _bits_to_bytes(registers.read(table, first, count))
        return bytes((function, len(data))) + data

    return service


def _read_registers(table: str) -> Callable[[bytes, RegisterMap], bytes]:
    def service(request: bytes, registers: RegisterMap) -> bytes:
        function, first, count = struct.unpack(">BHH", request)
        _require(1 <= count <= READ_REGISTERS_MAX)
        words = registers.read(table, first, count)
        return struct.pack(f">BB{count}H", function, 2 * count, *words)

    return service


def _write_coil(request: bytes, registers: RegisterMap) -> bytes:
    _, address, value = struct.unpack(">BHH", request)
    _require(value in COIL)
    registers.write("coil", address, [COIL[value]])
    return request


def _write_register(request: bytes, registers: RegisterMap) -> bytes:
    _, address, value = struct.unpack(">BHH", request)
    registers.write("holding", address, [value])
    return request


def _write_coils(request: bytes, registers: RegisterMap) -> bytes:
    _, first, count, size = struct.unpack(">BHHB", request[:6])
    data = request[6:]
    _require(1 <= count <= WRITE_BITS_MAX and size == len(data) == (count + 7) // 8)
    registers.write("coil", first, [data[bit // 8] >> bit % 8 & 1 for bit in range(count)])
    return request[:5]


def _write_registers(request: bytes, registers: RegisterMap) -> bytes:
    _, first, count, size = struct.unpack(">BHHB", request[:6])
    data = request[6:]
    _require(1 <= count <= WRITE_REGISTERS_MAX and size == len(data) == 2 * count)
    registers.write("holding", first, struct.unpack(f">{count}H", data))
    return request[:5]


def _bits_to_bytes(bits: Sequence[int]) -> bytes:
    data = bytearray((len(bits) + 7) // 8)
    for at, bit in enumerate(bits):
        data[at // 8] |= bit << at % 8
    return bytes(data)


def _require(legal: bool) -> None:
    if not legal:
        raise _Illegal


_SERVICES: Final[dict[int, Callable[[bytes, RegisterMap], bytes]]] = {
    1: _read_bits("coil"),
    2: _read_bits("discrete"),
    3: _read_registers("holding"),
    4: _read_registers("input"),
    5: _write_coil,
    6: _write_register,
    15: _write_coils,
    16: _write_registers,
}
