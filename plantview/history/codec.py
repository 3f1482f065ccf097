"""Columns of numbers to bytes and back, without loss, with nothing but NumPy and zlib.

Readings are decimals: 7.2 °C has a float64 full of digits but is 72 tenths. A column is tried
as one value, as whole numbers of 10^-k (also where a device sent it as a 32-bit float), as 32-bit
floats, and kept as 64-bit floats otherwise. Every block begins with a CRC-32 over its key and
its content, so that a block that was damaged, or that stands under another key, is refused.
"""

from __future__ import annotations

import struct
import zlib
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

from plantview.errors import HistoryError

LEVEL: Final = 6
QUICK: Final = 1
DECIMALS_MAX: Final = 4
PROBE: Final = 32
WHOLE_MAX: Final = 2.0**52

CONSTANT, WHOLE, WHOLE_32, FLOAT_32, FLOAT_64 = range(5)
_HEAD: Final = struct.Struct("<BBBIq")
"""Kind, decimals, bytes per difference, count, first value."""
_TIME_HEAD: Final = struct.Struct("<BIqq")
_PLANE: Final = struct.Struct("<?I")
NOISE: Final = 0.93
_CRC: Final = struct.Struct("<I")

SIGNED: Final[dict[int, type[np.signedinteger[Any]]]] = {1: np.int8, 2: np.int16, 4: np.int32, 8: np.int64}


class Damaged(HistoryError):
    """A block that does not agree with its checksum."""


def protect(key: bytes, block: bytes) -> bytes:
    """Return a block behind its checksum."""
    return _CRC.pack(zlib.crc32(block, zlib.crc32(key))) + block


def verified(key: bytes, block: bytes) -> bytes:
    """Return what ``protect`` was given; Damaged if key or block is not what it was."""
    if len(block) < _CRC.size or _CRC.unpack_from(block)[0] != zlib.crc32(block[_CRC.size :], zlib.crc32(key)):
        raise Damaged("the checksum does not agree")
    return block[_CRC.size :]


def shuffled(array: NDArray[np.generic], level: int = LEVEL) -> bytes:
    """Return an array with equal places of its numbers side by side; a plane that is mere noise is not compressed."""
    size = array.dtype.itemsize
    planes = np.ascontiguousarray(np.ascontiguousarray(array).view(np.uint8).reshape(-1, size).T)
    parts = []
    for plane in planes:
        plain = plane.tobytes()
        packed = zlib.compress(plain, level)
        worth = len(packed) < NOISE * len(plain)
        parts.append(_PLANE.pack(worth, len(packed) if worth else len(plain)) + (packed if worth else plain))
    return b"".join(parts)


def unshuffled(block: bytes, kind: type[np.generic], count: int) -> NDArray[Any]:
    """Return what ``shuffled`` was given."""
    size, at = np.dtype(kind).itemsize, 0
    planes = np.empty((count, size), np.uint8)
    view = memoryview(block)
    for place in range(size):
        packed, length = _PLANE.unpack_from(view, at)
        at += _PLANE.size
        part = view[at : at + length]
        plane = np.frombuffer(zlib.decompress(part) if packed else part, np.uint8)
        at += length
        if plane.size != count:
            raise Damaged("the block has another length than its head says")
        if size == 1:
            return plane.view(kind)
        planes[:, place] = plane
    return planes.view(kind).reshape(count)


def narrow(whole: NDArray[np.int64]) -> NDArray[np.signedinteger]:
    """Return whole numbers in the fewest bytes that hold them all."""
    if not whole.size:
        return whole.astype(np.int8)
    low, high = int(whole.min()), int(whole.max())
    for size, kind in SIGNED.items():
        if -(1 << (8 * size - 1)) <= low and high < 1 << (8 * size - 1):
            return whole.astype(kind)
    raise AssertionError("64-bit numbers always fit")


def decimals(values: NDArray[np.float64]) -> tuple[int, int] | None:
    """Return kind and decimals under which a column is whole numbers, or None."""
    if np.any(np.signbit(values) & (values == 0.0)):
        return None  # a negative zero would come back without its sign
    if not np.all(np.abs(values) < WHOLE_MAX / 10**DECIMALS_MAX):
        return None
    for kind in (WHOLE, WHOLE_32):
        if kind == WHOLE_32 and not np.array_equal(values.astype(np.float32).astype(np.float64), values):
            return None
        for places in range(DECIMALS_MAX + 1):
            if _is_whole(values[:PROBE], kind, places) and _is_whole(values, kind, places):
                return kind, places
    return None


def to_whole(values: NDArray[np.float64], places: int) -> NDArray[np.int64]:
    """Return a column as whole numbers of ``10**-places``."""
    return np.rint(values * 10.0**places).astype(np.int64)


def from_whole(whole: NDArray[np.signedinteger], kind: int, places: int) -> NDArray[np.float64]:
    """Return the numbers again: divided, for 72/10 is 7.2 and 72*0.1 is not."""
    if kind == WHOLE_32:
        single = whole.astype(np.float32)
        return (single / np.float32(10**places) if places else single).astype(np.float64)
    return whole / 10.0**places if places else whole.astype(np.float64)


def _is_whole(values: NDArray[np.float64], kind: int, places: int) -> bool:
    return bool(np.array_equal(from_whole(to_whole(values, places), kind, places), values))


def as_single(values: NDArray[np.float64]) -> NDArray[np.float32]:
    """Return numbers as 32-bit floats; what is too large becomes infinite, for the caller compares."""
    with np.errstate(over="ignore"):
        return values.astype(np.float32)


def pack(values: NDArray[np.float64], level: int = LEVEL) -> bytes:
    """Return a column of finite or infinite numbers as bytes; NaN is kept as well, at a price."""
    count = values.size
    if not count:
        return _HEAD.pack(CONSTANT, 0, 0, 0, 0)
    first_bits = int(values[:1].view(np.int64)[0])
    bits = values.view(np.int64)
    if np.all(bits == first_bits):
        return _HEAD.pack(CONSTANT, 0, 0, count, first_bits)
    found = decimals(values)
    if found is not None:
        kind, places = found
        whole = to_whole(values, places)
        steps = narrow(np.diff(whole))
        return _HEAD.pack(kind, places, steps.itemsize, count, int(whole[0])) + shuffled(steps, level)
    single = as_single(values)
    if np.array_equal(single.astype(np.float64).view(np.int64), bits):
        return _HEAD.pack(FLOAT_32, 0, 4, count, 0) + shuffled(_chained(single.view(np.uint32)), level)
    return _HEAD.pack(FLOAT_64, 0, 8, count, 0) + shuffled(_chained(values.view(np.uint64)), level)


def unpack(block: bytes) -> NDArray[np.float64]:
    """Return the column that ``pack`` was given."""
    kind, places, size, count, first = _HEAD.unpack_from(block)
    body = block[_HEAD.size :]
    if kind == CONSTANT:
        return np.full(count, first, np.int64).view(np.float64)
    if kind in {WHOLE, WHOLE_32}:
        steps = unshuffled(body, SIGNED[size], count - 1)
        reach = abs(first) + count * (1 << (8 * size - 1))
        whole = np.empty(count, np.int32 if reach < 1 << 31 else np.int64)
        whole[0] = first
        np.cumsum(steps, dtype=whole.dtype, out=whole[1:])
        whole[1:] += whole.dtype.type(first)
        return from_whole(whole, kind, places)
    if kind == FLOAT_32:
        return np.bitwise_xor.accumulate(unshuffled(body, np.uint32, count)).view(np.float32).astype(np.float64)
    return np.bitwise_xor.accumulate(unshuffled(body, np.uint64, count)).view(np.float64)


def _chained(bits: NDArray[np.unsignedinteger]) -> NDArray[np.unsignedinteger]:
    """Return each number's difference in bits from the one before."""
    chained = bits.copy()
    chained[1:] ^= bits[:-1]
    return chained


def pack_times(at_ms: NDArray[np.int64], level: int = LEVEL) -> bytes:
    """Return ascending times as bytes: the usual step, and what each step differs from it."""
    if not at_ms.size:
        return _TIME_HEAD.pack(1, 0, 0, 0)
    steps = np.diff(at_ms)
    usual = int(np.median(steps)) if steps.size else 0
    odd = narrow(steps - usual)
    return _TIME_HEAD.pack(odd.itemsize, at_ms.size, int(at_ms[0]), usual) + shuffled(odd, level)


def unpack_times(block: bytes) -> NDArray[np.int64]:
    """Return the times that ``pack_times`` was given."""
    size, count, first, usual = _TIME_HEAD.unpack_from(block)
    if not count:
        return np.empty(0, np.int64)
    at_ms = np.empty(count, np.int64)
    at_ms[0] = first
    at_ms[1:] = unshuffled(block[_TIME_HEAD.size :], SIGNED[size], count - 1)
    at_ms[1:] += usual
    return np.cumsum(at_ms, out=at_ms)
