"""One register group under every type and byte order, so that a person sees which reading makes sense.

A register map says "float" and not in which order; the wrong order often gives a number too. What
stands on the machine's own display is the best judge: ``expected`` marks the decodings that agree with it.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Final

from plantview.drivers.exchange import NoValue
from plantview.drivers.modbus_decode import decoder
from plantview.model.point import ModbusAddress

KINDS: Final = ("uint16", "int16", "float32", "uint32", "int32", "float64", "uint64", "int64")
ORDERS: Final = ("ABCD", "CDAB", "BADC", "DCBA")
COMMON_ORDERS: Final = ("ABCD", "CDAB")
ORDERS_OF_ONE: Final = ("ABCD", "BADC")
"""One register has two orders only: CDAB and DCBA would repeat them."""
SCALES: Final = (1.0, 0.1, 0.01, 0.001, 10.0, 100.0)
AGREES: Final = 0.005
"""Relative difference within which a decoding agrees with what a display shows (three digits)."""
SMALLEST, LARGEST = 1e-3, 1e7
"""Plant values lie between: millikelvins to watt-hours (common practice, no source)."""
NARROW_MAX: Final = 12_000
"""One register rarely holds more than a four-digit reading with a decimal (common practice, no source)."""
COUNTER_MAX: Final = 1e9
WHOLE_MAX: Final = 1e12
"""Whole numbers beyond are shown by their size."""
MARK: Final = "plausible"
EXPECTED: Final = "agrees with"


@dataclass(frozen=True, slots=True)
class Decoding:
    """One way to read registers."""

    first: int
    kind: str
    order: str
    value: float | None
    """None: not a number."""
    mark: str
    """Empty, ``plausible``, or the expected number and scale that it agrees with."""


def decodings(words: Mapping[int, int], first: int, table: str, expected: float | None = None) -> list[Decoding]:
    """Return every reading of the registers that start at ``first``, as far as they were read."""
    found = []
    for kind in KINDS:
        count = ModbusAddress(table, first, kind, "ABCD", 1.0, 0.0, ()).count
        if any(first + at not in words for at in range(count)):
            continue
        group = [words[first + at] for at in range(count)]
        for order in ORDERS if count > 1 else ORDERS_OF_ONE:
            value = _value(table, first, kind, order, group)
            found.append(Decoding(first, kind, order, value, _mark(kind, group, value, expected)))
    return found


def _value(table: str, first: int, kind: str, order: str, group: Sequence[int]) -> float | None:
    value = decoder(ModbusAddress(table, first, kind, order, 1.0, 0.0, ()))(group)
    return None if isinstance(value, NoValue) else value


def _mark(kind: str, group: Sequence[int], value: float | None, expected: float | None) -> str:
    if value is None:
        return ""
    if expected is not None:
        scale = agreeing_scale(value, expected)
        return f"{EXPECTED} {expected:g} at scale {scale:g}" if scale else ""
    return MARK if plausible(kind, group, value) else ""


def agreeing_scale(value: float, expected: float) -> float | None:
    """Return the scale at which a raw value agrees with a number on a display, or None."""
    return next((scale for scale in SCALES if math.isclose(value * scale, expected, rel_tol=AGREES)), None)


def plausible(kind: str, group: Sequence[int], value: float) -> bool:
    """Return whether a decoding may be a plant value: neither empty, nor of an absurd size.

    A wide integer whose upper registers are empty in every order says no more than a narrow one; a
    float of noise has a huge or tiny exponent.
    """
    if not any(group) or all(word == 0xFFFF for word in group):
        return False
    if kind.startswith("float"):
        return SMALLEST <= abs(value) <= LARGEST
    if len(group) == 1:
        return abs(value) <= NARROW_MAX
    if len(group) == 2:
        return 0 <= value <= LARGEST or (kind == "int32" and -LARGEST <= value < 0 and 0xFFFF in group)
    return 0 <= value <= COUNTER_MAX


def likely(words: Mapping[int, int], first: int, table: str) -> Decoding:
    """Return the reading to begin with: a float if just one common order makes it one, else a single register."""
    found = [one for one in decodings(words, first, table) if one.mark]
    floats = [one for one in found if one.kind == "float32" and one.order in COMMON_ORDERS]
    if len(floats) == 1:
        return floats[0]
    signed = words[first] >= 0x8000
    kind = "int16" if signed else "uint16"
    return Decoding(first, kind, "ABCD", float(words[first] - (0x1_0000 if signed else 0)), "")


def lines(found: Sequence[Decoding], words: Mapping[int, int]) -> list[str]:
    """Return the table as a person reads it: a row per type, a column per byte order, ``*`` where it may be right."""
    if not found:
        return []
    first = found[0].first
    raw = " ".join(f"{words[at]:04X}" for at in range(first, first + 4) if at in words)
    out = [f"register {first}: {raw}", f"  {'type':<8}" + "".join(f"{order:>18}" for order in ORDERS)]
    for kind in dict.fromkeys(one.kind for one in found):
        cells = {one.order: _cell(one) for one in found if one.kind == kind}
        out.append(f"  {kind:<8}" + "".join(f"{cells.get(order, ''):>18}" for order in ORDERS))
    out += [f"  * {one.kind} {one.order}: {one.mark}" for one in found if one.mark.startswith(EXPECTED)]
    return out


def _cell(one: Decoding) -> str:
    if one.value is None:
        return "no number"
    wide = abs(one.value) >= WHOLE_MAX or one.kind.startswith("float")
    return ("*" if one.mark else "") + (f"{one.value:.6g}" if wide else f"{one.value:.0f}")
