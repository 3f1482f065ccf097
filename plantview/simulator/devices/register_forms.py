"""What the octets of a register value mean, before scale and order: integers, floats, packed decimals, mod-10k.

Packed decimals hold one digit in four bits; a mod-10k register counts to 9999, and the
value is R1 + 10**4 R2 + 10**8 R3 + 10**12 R4, every register with the value's sign (as meters do it).
"""

from __future__ import annotations

import struct
from collections.abc import Callable
from dataclasses import dataclass
from functools import lru_cache
from typing import Final

DIGITS: Final = 10_000


@dataclass(frozen=True, slots=True)
class Form:
    """One type of register value."""

    octets: Callable[[float], bytes]
    """Takes a raw number within the range to its octets, highest first."""
    number: Callable[[bytes], float]
    whole: bool
    low: int
    high: int
    no_number: bytes | None
    """What it holds where there is no number, without any mark in the map."""


@lru_cache(maxsize=64)
def form_of(kind: str) -> Form:
    """Return the form of a type such as ``int16``, ``float32``, ``bcd32`` or ``mod10k:3``."""
    name, _, size = kind.partition(":")
    if name == "mod10k":
        return _mod10k(int(size))
    if name.startswith("bcd"):
        return _packed(int(name.removeprefix("bcd")) // 4)
    if name.startswith("float"):
        return _floating(struct.Struct({"float32": ">f", "float64": ">d"}[name]))
    return _integer(int(name.removeprefix("u").removeprefix("int")), signed=not name.startswith("u"))


def _integer(bits: int, *, signed: bool) -> Form:
    low, high = (-(1 << bits - 1), (1 << bits - 1) - 1) if signed else (0, (1 << bits) - 1)
    return Form(
        lambda raw: int(raw).to_bytes(bits // 8, "big", signed=signed),
        lambda octets: float(int.from_bytes(octets, "big", signed=signed)),
        True, low, high, None,
    )  # fmt: skip


def _floating(layout: struct.Struct) -> Form:
    return Form(layout.pack, lambda octets: float(layout.unpack(octets)[0]), False, 0, 0, layout.pack(float("nan")))


def _packed(digits: int) -> Form:
    return Form(
        lambda raw: bytes.fromhex(f"{int(raw):0{digits}d}"),
        lambda octets: float(octets.hex()),
        True,
        0,
        10**digits - 1,
        None,
    )


def _mod10k(registers: int) -> Form:
    most = DIGITS**registers - 1

    def octets(raw: float) -> bytes:
        sign, rest = (-1 if raw < 0 else 1), abs(int(raw))
        parts = [sign * (rest // DIGITS**place % DIGITS) for place in range(registers - 1, -1, -1)]
        return b"".join(part.to_bytes(2, "big", signed=True) for part in parts)

    def number(data: bytes) -> float:
        total = 0
        for at in range(0, len(data), 2):
            total = total * DIGITS + int.from_bytes(data[at : at + 2], "big", signed=True)
        return float(total)

    return Form(octets, number, True, -most, most, None)
