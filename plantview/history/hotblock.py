"""One second of readings of many signals as one block: what is written while everything runs.

Each number goes into the narrowest of three forms that give it back bit by bit: a 32-bit
float, a whole number of ten-thousandths, a 64-bit float.
"""

from __future__ import annotations

import struct
import zlib
from dataclasses import dataclass
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

from plantview.history.codec import QUICK, Damaged, as_single, protect, verified

_HEAD: Final = struct.Struct("<BIIIIq")
"""Form, samples, those kept as 32-bit float, as ten-thousandths, as 64-bit float, first time."""
FORM: Final = 1
SCALE: Final = 10_000.0
WHOLE_MAX: Final = 2.0**31 - 1


@dataclass(frozen=True, slots=True)
class Hot:
    """Readings in the order they came; arrays of one length."""

    point: NDArray[np.int32]
    at_ms: NDArray[np.int64]
    values: NDArray[np.float64]
    """NaN where BAD."""
    quality: NDArray[np.uint8]
    reason: NDArray[np.uint16]


def pack_hot(hot: Hot, key: bytes) -> bytes:
    """Return the block of one commit behind its checksum."""
    single = as_single(hot.values)
    alike = single.astype(np.float64).view(np.int64) == hot.values.view(np.int64)
    whole, as_whole = _whole(hot.values, ~alike)
    rest = ~(alike | as_whole)
    form = as_whole + 2 * rest.astype(np.uint8)
    singles, wholes, rests = single[alike], whole[as_whole].astype(np.int32), hot.values[rest]
    columns: tuple[NDArray[np.generic], ...] = (
        np.diff(hot.point, prepend=np.int32(0)),
        np.diff(hot.at_ms, prepend=hot.at_ms[:1]),
        form.astype(np.uint8),
        hot.quality,
        hot.reason,
        singles,
        wholes,
        rests,
    )
    head = _HEAD.pack(FORM, hot.point.size, singles.size, wholes.size, rests.size, int(hot.at_ms[0]))
    return protect(key, head + zlib.compress(b"".join(map(_planes, columns)), QUICK))


def unpack_hot(block: bytes, key: bytes) -> Hot:
    """Return the readings of one commit; Damaged if they are not what was written."""
    block = verified(key, block)
    form_of_block, count, singles, wholes, rests, first_ms = _HEAD.unpack_from(block)
    if form_of_block != FORM or singles + wholes + rests != count:
        raise Damaged("a block of another form")
    body = memoryview(zlib.decompress(block[_HEAD.size :]))
    parts: list[NDArray[Any]] = []
    for kind, size in (
        (np.int32, count),
        (np.int64, count),
        (np.uint8, count),
        (np.uint8, count),
        (np.uint16, count),
        (np.float32, singles),
        (np.int32, wholes),
        (np.float64, rests),
    ):
        length = size * np.dtype(kind).itemsize
        parts.append(_from_planes(body[:length], kind, size))
        body = body[length:]
    point, at_ms, form, quality, reason, single, whole, rest = parts
    values = np.empty(count)
    values[form == 0] = single
    values[form == 1] = whole / SCALE
    values[form == 2] = rest
    times = np.cumsum(at_ms)
    times += first_ms
    return Hot(np.cumsum(point, dtype=np.int32), times, values, quality, reason)


def _whole(values: NDArray[np.float64], wanted: NDArray[np.bool_]) -> tuple[NDArray[np.float64], NDArray[np.bool_]]:
    near = np.abs(values) < WHOLE_MAX / SCALE
    whole = np.rint(np.where(near, values, 0.0) * SCALE)
    return whole, wanted & near & (whole / SCALE == values)


def _planes(column: NDArray[np.generic]) -> bytes:
    size = column.dtype.itemsize
    if size == 1:
        return column.tobytes()
    return np.ascontiguousarray(np.ascontiguousarray(column).view(np.uint8).reshape(-1, size).T).tobytes()


def _from_planes(planes: memoryview, kind: type[np.generic], count: int) -> NDArray[np.generic]:
    size = np.dtype(kind).itemsize
    flat = np.frombuffer(planes, np.uint8)
    if flat.size != count * size:
        raise Damaged("a block that ends early")
    return np.ascontiguousarray(flat.reshape(size, count).T).view(kind).reshape(count)
