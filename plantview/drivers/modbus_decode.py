"""Registers to numbers, with the byte order given by example and raw sentinels honoured.

The standard fixes only the octets inside a 16-bit register (big-endian, Modbus Application
Protocol V1.1b3 clause 4.2). For wider values the names ABCD… say where the octets of the
big-endian value ``A B C D`` stand on the wire, since other names mean different things in different products.
"""

from __future__ import annotations

import math
import struct
from collections.abc import Callable, Mapping, Sequence
from typing import Final

from plantview.drivers.exchange import NoValue
from plantview.model.point import ModbusAddress

Decode = Callable[[Sequence[int]], float | NoValue]
"""Takes the registers (or the one bit) of a point's ``reach``, in wire order."""
_OCTETS_SWAPPED: Final = frozenset({"BADC", "DCBA"})
_WORDS_REVERSED: Final = frozenset({"CDAB", "DCBA"})
_FLOATS: Final = {"float32": struct.Struct(">f"), "float64": struct.Struct(">d")}
NOT_AVAILABLE: Final = NoValue("the device says: not available")
OVER_RANGE: Final = NoValue("the device says: above its range")
UNDER_RANGE: Final = NoValue("the device says: below its range")
NOT_A_NUMBER: Final = NoValue("no number (NaN)")
INFINITE: Final = NoValue("no number (infinite)")
DIGITS: Final = 10_000
"""A mod-10k register counts to this: value = R1 + 10**4 R2 + 10**8 R3 + 10**12 R4."""
EXPONENT_MAX: Final = 10
"""Scale registers go from -10 to 10 (SunSpec Device Information Model, type sunssf)."""
_Convert = Callable[[int], float | NoValue]


def decoder(address: ModbusAddress, states: Mapping[int, str] | None = None) -> Decode:
    """Return the function that turns the registers of one point into its number, scaled.

    ``states`` are the words of a state point: a text register is looked up among them.
    """
    if address.table in {"coil", "discrete"}:
        return _first
    value = _value(address, states or {})
    return _scaled(address, value) if address.scale_register is not None else value


def raw_value(registers: Sequence[int], order: str) -> int:
    """Return the registers of one value as the unsigned integer that ``order`` says they stand for."""
    raw = 0
    for word in _in_order(registers, order):
        raw = raw << 16 | word
    return raw


def _in_order(registers: Sequence[int], order: str) -> list[int]:
    """Return the registers with the highest first, their octets as ``order`` says."""
    words = reversed(registers) if order in _WORDS_REVERSED else registers
    return [((word & 0xFF) << 8 | word >> 8) if order in _OCTETS_SWAPPED else word for word in words]


def _first(registers: Sequence[int]) -> float:
    return float(registers[0])


def _value(address: ModbusAddress, states: Mapping[int, str]) -> Decode:
    kind, _, number = address.kind.partition(":")
    match kind:
        case "bit" | "bits":
            return _field(address, *_bits(number))
        case "string":
            return _text(address, states)
        case "mod10k":
            return _mod10k(address)
        case "bcd16" | "bcd32":
            return _numeric(address, _packed_digits)
        case "float32" | "float64":
            return _numeric(address, _float(_FLOATS[kind]))
        case _:
            return _numeric(address, _signed(16 * address.count) if kind.startswith("int") else float)


def _bits(text: str) -> tuple[int, int]:
    low, _, high = text.partition("-")
    return int(low), int(high or low)


def _field(address: ModbusAddress, low: int, high: int) -> Decode:
    mask = (1 << high - low + 1) - 1
    return _numeric(address, lambda raw: float(raw >> low & mask))


def _numeric(address: ModbusAddress, convert: _Convert) -> Decode:
    """Return the decoder that compares raw registers with the sentinels, converts, then scales."""
    modulus = 1 << 16 * address.count
    # A list may write a signed sentinel as -32768 or as 0x8000: both mean these octets.
    sentinels = {value % modulus: NOT_AVAILABLE for value in address.not_available}
    sentinels |= {value % modulus: OVER_RANGE for value in address.over}
    sentinels |= {value % modulus: UNDER_RANGE for value in address.under}
    order, scale, offset = address.order, address.scale, address.offset

    def decode_raw(raw: int) -> float | NoValue:
        if raw in sentinels:
            return sentinels[raw]
        value = convert(raw)
        return value if isinstance(value, NoValue) else value * scale + offset

    if address.count == 1 and order not in _OCTETS_SWAPPED:  # most points of most maps
        if convert is float and not sentinels:
            return lambda registers: float(registers[0]) * scale + offset
        return lambda registers: decode_raw(registers[0])
    return lambda registers: decode_raw(raw_value(registers, order))


def _signed(bits: int) -> _Convert:
    half, modulus = 1 << bits - 1, 1 << bits
    return lambda raw: float(raw - modulus if raw >= half else raw)


def _float(layout: struct.Struct) -> _Convert:
    def convert(raw: int) -> float | NoValue:
        (value,) = layout.unpack(raw.to_bytes(layout.size, "big"))
        if math.isfinite(value):
            return float(value)
        return NOT_A_NUMBER if math.isnan(value) else INFINITE

    return convert


def _packed_digits(raw: int) -> float | NoValue:
    """Return packed decimal digits as their number: 0x0248 is 248."""
    text = f"{raw:x}"
    return float(text) if text.isdigit() else NoValue(f"0x{raw:X} holds a digit above 9: it is no packed decimal")


def _mod10k(address: ModbusAddress) -> Decode:
    def convert(registers: Sequence[int]) -> float | NoValue:
        total = 0
        for word in _in_order(registers, address.order):
            digits = word - 0x10000 if word & 0x8000 else word
            if not -DIGITS < digits < DIGITS:
                return NoValue(f"register value {digits} is beyond 9999: it is no mod-10k value")
            total = total * DIGITS + digits
        return float(total) * address.scale + address.offset

    plain = _numeric(address, lambda _: 0.0)

    def decode(registers: Sequence[int]) -> float | NoValue:
        sentinel = plain(registers)
        return sentinel if isinstance(sentinel, NoValue) else convert(registers)

    return decode


def _text(address: ModbusAddress, states: Mapping[int, str]) -> Decode:
    """Return the decoder of a text: a state's word, else the number that it spells."""
    numbers = {word.casefold(): float(number) for number, word in states.items()}

    def decode(registers: Sequence[int]) -> float | NoValue:
        words = _in_order(registers, address.order)
        # Latin-1 never fails, and shows a degree sign as what it is
        text = struct.pack(f">{len(words)}H", *words).decode("latin-1").split("\0")[0].strip()
        if not text:
            return NOT_AVAILABLE
        if states:
            return numbers.get(text.casefold(), NoValue(f"unknown state '{text}'"))
        return _spelt(text, address)

    return decode


def _spelt(text: str, address: ModbusAddress) -> float | NoValue:
    try:
        value = float(text)
    except ValueError:
        return NoValue(f"the device says '{text}', which is no number")
    return value * address.scale + address.offset if math.isfinite(value) else NOT_A_NUMBER


def _scaled(address: ModbusAddress, value: Decode) -> Decode:
    """Return the decoder that multiplies by ten to the power that another register of the same answer holds."""
    start, _ = address.reach
    place, scaler = address.first - start, (address.scale_register or 0) - start
    end = place + address.count

    def decode(registers: Sequence[int]) -> float | NoValue:
        number = value(registers[place:end])
        word = registers[scaler]
        exponent = word - 0x10000 if word & 0x8000 else word
        if isinstance(number, NoValue):
            return number
        if abs(exponent) > EXPONENT_MAX:
            said = "not available" if word == 0x8000 else str(exponent)
            return NoValue(f"the scale register says {said}")
        # dividing keeps 235 with exponent -1 at 23.5, where 235 * 10**-1 does not
        return float(number * 10**exponent if exponent >= 0 else number / 10 ** abs(exponent))

    return decode
