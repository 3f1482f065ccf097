"""Numbers in Modbus registers: types, byte orders, scale and marks for what is no number.

The Modbus Application Protocol V1.1b3, section 4.2, defines big-endian bytes inside one
16-bit register and nothing wider; the four orders below are therefore named by example,
as the bytes ABCD of a 32-bit value follow each other in increasing addresses.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping, Sequence
from typing import Final

from plantview.model.point import ModbusAddress
from plantview.simulator.devices.register_forms import Form, form_of

NO_STATES: Final[Mapping[int, str]] = {}


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


def is_field(address: ModbusAddress) -> bool:
    """Return whether the value is one or several bits, of a register or of a coil table."""
    return address.kind.partition(":")[0] in {"bit", "bits"}


def field_of(address: ModbusAddress) -> tuple[int, int]:
    """Return the lowest bit of a field and the mask of the field itself; bit 0 is the least significant."""
    first, _, last = address.kind.partition(":")[2].partition("-")
    return int(first), (1 << int(last or first) - int(first) + 1) - 1


def is_text(address: ModbusAddress) -> bool:
    """Return whether the registers hold characters."""
    return address.kind.startswith("string:")


def pack(address: ModbusAddress, value: float, states: Mapping[int, str] = NO_STATES) -> tuple[int, ...] | None:
    """Return the registers that report ``value``, or None where the map has no mark for "no data".

    A number beyond the type's range takes the mark for that, or saturates as a real register
    does, and never takes on a mark by accident. Text registers say a state's word.
    """
    if is_text(address):
        return _text(address, value, states)
    form = form_of(address.kind)
    if not math.isfinite(value):
        return _marked(address, address.not_available, form.no_number)
    raw = (value - address.offset) / address.scale
    if not form.whole:
        return _words(address, form.octets(raw))
    if raw > form.high and address.over:
        return _marked(address, address.over, None)
    if raw < form.low and address.under:
        return _marked(address, address.under, None)
    return _words(address, _beside_the_marks(address, form, min(max(round(raw), form.low), form.high)))


def unpack(address: ModbusAddress, words: Sequence[int]) -> float:
    """Return the value that registers stand for; NaN for a mark."""
    octets = _ORDERS[address.order](b"".join(word.to_bytes(2, "big") for word in words))
    if octets in _marks(address):
        return math.nan
    return form_of(address.kind).number(octets) * address.scale + address.offset


def fits(address: ModbusAddress, value: float) -> bool:
    """Return whether a number is within the type's range."""
    form = form_of(address.kind)
    return not form.whole or form.low <= round((value - address.offset) / address.scale) <= form.high


def _beside_the_marks(address: ModbusAddress, form: Form, raw: int) -> bytes:
    octets = form.octets(raw)
    return form.octets(raw + (1 if raw < 0 else -1)) if octets in _marks(address) else octets


def _marks(address: ModbusAddress) -> list[bytes]:
    return [_octets(address, mark) for mark in (*address.not_available, *address.over, *address.under)]


def _marked(address: ModbusAddress, marks: Sequence[int], otherwise: bytes | None) -> tuple[int, ...] | None:
    octets = _octets(address, marks[0]) if marks else otherwise
    return None if octets is None else _words(address, octets)


def _octets(address: ModbusAddress, mark: int) -> bytes:
    """Return a mark, written as 0x8000 or as -32768, as its bit pattern."""
    return (mark % (1 << 16 * address.count)).to_bytes(2 * address.count, "big")


def _words(address: ModbusAddress, octets: bytes) -> tuple[int, ...]:
    data = _ORDERS[address.order](octets)
    return tuple(int.from_bytes(data[at : at + 2], "big") for at in range(0, len(data), 2))


def _text(address: ModbusAddress, value: float, states: Mapping[int, str]) -> tuple[int, ...]:
    word = states.get(int(value), f"{value:g}") if math.isfinite(value) else ""
    return _words(address, word.encode("latin-1", "replace")[: 2 * address.count].ljust(2 * address.count, b"\0"))
