"""Numbers in Modbus registers: types, byte orders, scale and "no data" marks.

The Modbus Application Protocol V1.1b3, section 4.2, defines big-endian bytes inside one
16-bit register and nothing wider; the four orders below are therefore named by example,
as the bytes ABCD of a 32-bit value follow each other in increasing addresses.
"""

from __future__ import annotations

import math
import struct
from collections.abc import Callable, Sequence
from typing import Final

from plantview.model.point import ModbusAddress

_CODES: Final = {
    "int16": "h", "uint16": "H", "int32": "i", "uint32": "I", "int64": "q", "uint64": "Q", "float32": "f", "float64": "d",
}
_LIMITS: Final = {
    f"{sign}int{bits}": (-(1 << (bits - 1)), (1 << (bits - 1)) - 1) if not sign else (0, (1 << bits) - 1)
    for bits in (16, 32, 64) for sign in ("", "u")
}


def _swap_bytes(data: bytes) -> bytes:
    swapped = bytearray(data)
    swapped[0::2], swapped[1::2] = data[1::2], data[0::2]
    return bytes(swapped)


def _swap_words(data: bytes) -> bytes:
    return b"".join(data[at : at + 2] for at in range(len(data) - 2, -1, -2))


# Each order is its own inverse, so one function serves both directions.
_ORDERS: Final[dict[str, Callable[[bytes], bytes]]] = {
    "ABCD": lambda data: data,
    "CDAB": _swap_words,
    "BADC": _swap_bytes,
    "DCBA": lambda data: data[::-1],
}


def is_bit(address: ModbusAddress) -> bool:
    """Return whether the value is a single bit, of a register or of a coil table."""
    return address.kind.startswith("bit:")


def bit_of(address: ModbusAddress) -> int:
    """Return the bit number inside the register; 0 is the least significant."""
    return int(address.kind.removeprefix("bit:"))


def pack(address: ModbusAddress, value: float) -> tuple[int, ...] | None:
    """Return the registers that report ``value``, or None where the map has no mark for "no data".

    A number beyond the type's range saturates, as a real register does, and never
    takes on the "no data" mark by accident.
    """
    raw: float
    if address.kind.startswith("float"):
        raw = (value - address.offset) / address.scale
        return _words(address, raw if math.isfinite(raw) else math.nan)
    if not math.isfinite(value):
        return _words(address, _signed(address, address.not_available[0])) if address.not_available else None
    low, high = _LIMITS[address.kind]
    raw = min(max(round((value - address.offset) / address.scale), low), high)
    if raw in {_signed(address, mark) for mark in address.not_available}:
        raw += 1 if raw < 0 else -1
    return _words(address, raw)


def unpack(address: ModbusAddress, words: Sequence[int]) -> float:
    """Return the value that registers stand for; NaN for a "no data" mark."""
    data = _ORDERS[address.order](struct.pack(f">{len(words)}H", *words))
    (raw,) = struct.unpack(f">{_CODES[address.kind]}", data)
    if raw in {_signed(address, mark) for mark in address.not_available}:
        return math.nan
    return float(raw) * address.scale + address.offset


def _words(address: ModbusAddress, raw: float) -> tuple[int, ...]:
    data = _ORDERS[address.order](struct.pack(f">{_CODES[address.kind]}", raw))
    return struct.unpack(f">{len(data) // 2}H", data)


def _signed(address: ModbusAddress, mark: int) -> int:
    """Return a mark written as 0x8000 as the number that the type gives to these bits."""
    low, high = _LIMITS.get(address.kind, (mark, mark))
    return mark - (high - low + 1) if mark > high else mark
