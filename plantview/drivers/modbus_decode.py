"""Registers to numbers, with the byte order given by example and raw sentinels honoured.

The standard fixes only the octets inside a 16-bit register (big-endian, Modbus Application
Protocol V1.1b3 clause 4.2). For wider values the names ABCD… say where the octets of the
big-endian value ``A B C D`` stand on the wire, since other names mean different things in different products.
"""

from __future__ import annotations

import math
import struct
from collections.abc import Callable, Sequence
from typing import Final

from plantview.drivers.exchange import NoValue
from plantview.model.point import ModbusAddress

Decode = Callable[[Sequence[int]], float | NoValue]
"""Takes the registers (or the one bit) of a point, in wire order."""
_OCTETS_SWAPPED: Final = frozenset({"BADC", "DCBA"})
_WORDS_REVERSED: Final = frozenset({"CDAB", "DCBA"})
_FLOATS: Final = {"float32": struct.Struct(">f"), "float64": struct.Struct(">d")}
NOT_AVAILABLE: Final = NoValue("the device says: not available")
NOT_A_NUMBER: Final = NoValue("no number (NaN)")
INFINITE: Final = NoValue("no number (infinite)")


def decoder(address: ModbusAddress) -> Decode:
    """Return the function that turns the registers of one point into its number, scaled."""
    if address.table in {"coil", "discrete"}:
        return _first
    if address.kind.startswith("bit:"):
        return _bit(int(address.kind[4:]))
    return _float(address) if address.kind in _FLOATS else _integer(address)


def raw_value(registers: Sequence[int], order: str) -> int:
    """Return the registers of one value as the unsigned integer that ``order`` says they stand for."""
    words = reversed(registers) if order in _WORDS_REVERSED else registers
    raw = 0
    for word in words:
        raw = raw << 16 | (((word & 0xFF) << 8 | word >> 8) if order in _OCTETS_SWAPPED else word)
    return raw


def _first(registers: Sequence[int]) -> float:
    return float(registers[0])


def _bit(number: int) -> Decode:
    return lambda registers: float(registers[0] >> number & 1)


def _integer(address: ModbusAddress) -> Decode:
    modulus = 1 << 16 * address.count
    # A list may write a signed sentinel as -32768 or as 0x8000: both mean these octets.
    sentinels = frozenset(value % modulus for value in address.not_available)
    negative_from = modulus >> 1 if address.kind.startswith("int") else modulus

    def decode(registers: Sequence[int]) -> float | NoValue:
        raw = raw_value(registers, address.order)
        if raw in sentinels:
            return NOT_AVAILABLE
        return (raw - modulus if raw >= negative_from else raw) * address.scale + address.offset

    return decode


def _float(address: ModbusAddress) -> Decode:
    layout, sentinels = _FLOATS[address.kind], frozenset(address.not_available)

    def decode(registers: Sequence[int]) -> float | NoValue:
        raw = raw_value(registers, address.order)
        if raw in sentinels:
            return NOT_AVAILABLE
        (value,) = layout.unpack(raw.to_bytes(layout.size, "big"))
        if math.isfinite(value):
            return float(value) * address.scale + address.offset
        return NOT_A_NUMBER if math.isnan(value) else INFINITE

    return decode
