"""One day of one signal in buckets of 5 minutes or an hour, as one block; many days unpacked at once.

Minimum, maximum, first and last are kept to the last digit; a mean gets two decimals more
than its samples have, or the digits of a 32-bit float.
"""

from __future__ import annotations

import struct
import zlib
from collections.abc import Mapping, Sequence
from typing import Any, Final, NamedTuple

import numpy as np
from numpy.typing import NDArray

from plantview.history.codec import (
    FLOAT_32,
    FLOAT_64,
    LEVEL,
    SIGNED,
    WHOLE,
    Damaged,
    as_single,
    decimals,
    from_whole,
    narrow,
    to_whole,
)
from plantview.history.reduce import ANALOG, REGISTER, STATE, Floats, Rows

KINDS: Final = (ANALOG, STATE, REGISTER)
STATES_MAX: Final = 60
MEAN_PLACES: Final = 2
_HEAD: Final = struct.Struct("<BBBHBBBBBBBBB")
_FIRST: Final = struct.Struct("<q?")
"""First whole number; whether the body is compressed."""
WORTH: Final = 0.5
"""Unpacking is most of what a month on the screen costs, and noise hardly shrinks."""
PARTS: Final = ("numbers", "mean", "count", "samples", "worst", "resets", "states", "seconds")
UNSIGNED: Final[dict[int, type[np.unsignedinteger[Any]]]] = {2: np.uint16, 4: np.uint32}
COUNT_MAX: Final = 65_535
_EXACT: Final = ("min", "max", "first", "last")


class _Head(NamedTuple):
    """What blocks must agree in to be unpacked together; of each part the bytes per number, 0 where it is left out."""

    kind: int
    form: int
    places: int
    buckets: int
    states_count: int
    numbers: int
    mean: int
    count_: int
    samples: int
    worst: int
    resets: int
    states: int
    seconds: int


def pack_sums(rows: Rows) -> bytes:
    """Return dense buckets as bytes; where they start is kept beside."""
    states = sorted(rows.in_state)[:STATES_MAX]
    numbers, mean, form, places, first = _numbers(rows)
    parts: dict[str, NDArray[Any]] = {"numbers": numbers, "mean": mean, "count": rows.count.astype(np.uint16)}
    if int(rows.count.max(initial=0)) > COUNT_MAX:
        parts["count"] = rows.count.astype(np.uint32)
    if rows.worst.any() or not np.array_equal(rows.count, rows.samples):
        parts |= {"samples": rows.samples.astype(np.uint32), "worst": rows.worst}
    if rows.resets.any():
        parts["resets"] = rows.resets.astype(np.uint32)
    if states:
        parts["states"] = np.array(states, np.int32)
        parts["seconds"] = np.array([np.rint(rows.in_state[state] * 1_000) for state in states], np.uint32)
    sizes = tuple(parts[name].dtype.itemsize if name in parts else 0 for name in PARTS)
    head = _Head(KINDS.index(rows.kind), form, places, rows.count.size, len(states), *sizes)
    plain = b"".join(_planes(parts[name]) for name in PARTS if name in parts)
    packed = zlib.compress(plain, LEVEL)
    worth = len(packed) < WORTH * len(plain)
    return _HEAD.pack(*head) + _FIRST.pack(first, worth) + (packed if worth else plain)


def _numbers(rows: Rows) -> tuple[NDArray[Any], NDArray[Any], int, int, int]:
    """Return the exact numbers as a matrix [what, bucket], the means, their form, decimals and the first whole number."""
    exact = np.array([_filled(getattr(rows, name), rows.count) for name in _EXACT])
    mean = _filled(rows.mean, rows.count)
    rise = [rows.rise] if rows.kind == REGISTER else []
    found = decimals(exact.ravel())
    if found is not None:
        form, places = found
        whole = to_whole(exact, places)
        low = whole[0]
        above = np.rint(mean * 10.0 ** (places + MEAN_PLACES)).astype(np.int64) - low * 10**MEAN_PLACES
        counted = [to_whole(row, places) for row in rise]
        matrix = np.array([np.diff(low, prepend=low[:1]), *(whole[1:] - low), *counted])
        return narrow(matrix.ravel()).reshape(matrix.shape), narrow(above), form, places, int(low[0])
    single = as_single(exact)
    means = _chained(mean.astype(np.float32).view(np.uint32)[None, :])[0]
    if np.array_equal(single.astype(np.float64), exact):
        return _chained(np.array([*single, *rise], np.float32).view(np.uint32)), means, FLOAT_32, 0, 0
    return _chained(np.array([*exact, *rise]).view(np.uint64)), means, FLOAT_64, 0, 0


def _filled(values: Floats, count: NDArray[np.int64]) -> Floats:
    """Return values with the last number in place of none."""
    if count.all():
        return values
    where = np.where(count > 0, np.arange(count.size), 0)
    np.maximum.accumulate(where, out=where)
    return np.nan_to_num(values[where])


def _chained(bits: NDArray[np.unsignedinteger]) -> NDArray[np.unsignedinteger]:
    chained = bits.copy()
    chained[:, 1:] ^= bits[:, :-1]
    return chained


def unpack_sums(blocks: Sequence[bytes], starts: Sequence[NDArray[np.int64]]) -> list[Rows]:
    """Return the buckets of blocks, those of blocks of one kind together; Damaged if one is not sound."""
    alike: dict[_Head, list[int]] = {}
    for number, block in enumerate(blocks):
        alike.setdefault(_Head(*_HEAD.unpack_from(block)), []).append(number)
    found = []
    for head, numbers in alike.items():
        at = np.concatenate([starts[number] for number in numbers])
        found.append(_unpack_alike(head, [blocks[number] for number in numbers], at))
    return found


def _body(block: bytes) -> bytes | memoryview:
    body = memoryview(block)[_HEAD.size + _FIRST.size :]
    return zlib.decompress(body) if _FIRST.unpack_from(block, _HEAD.size)[1] else body


def _unpack_alike(head: _Head, blocks: Sequence[bytes], start_ms: NDArray[np.int64]) -> Rows:
    days, n = len(blocks), head.buckets
    first = np.array([_FIRST.unpack_from(block, _HEAD.size)[0] for block in blocks], np.int64)
    bodies = [_body(block) for block in blocks]
    what = 5 if KINDS[head.kind] == REGISTER else 4
    numbers = {"numbers": what * n, "states": head.states_count, "seconds": head.states_count * n}
    lengths = {name: size * numbers.get(name, n) for name, size in zip(PARTS, head[5:], strict=True)}
    total = sum(lengths.values())
    if any(len(body) != total for body in bodies) or start_ms.size != days * n:
        raise Damaged("a summary has another length than its head says")
    flat = np.frombuffer(b"".join(bodies), np.uint8).reshape(days, total)
    cuts = dict(zip(PARTS, np.split(flat, np.cumsum(list(lengths.values()))[:-1], axis=1), strict=True))
    low, high, first_value, last, mean, rise = _restored(head, cuts, first, what)
    count = _from_planes(cuts["count"], UNSIGNED[head.count_]).reshape(-1).astype(np.int64)
    samples = _from_planes(cuts["samples"], np.uint32).reshape(-1).astype(np.int64) if head.samples else count
    resets = (
        _from_planes(cuts["resets"], np.uint32).reshape(-1).astype(np.int64) if head.resets else np.zeros_like(count)
    )
    worst = cuts["worst"].reshape(-1) if head.worst else np.zeros(count.size, np.uint8)
    empty = count == 0
    if empty.any():
        for values in (low, high, first_value, last, mean):
            values[empty] = np.nan
    held = _held(head, cuts["states"], cuts["seconds"])
    return Rows(
        KINDS[head.kind],
        start_ms,
        low,
        high,
        first_value,
        last,
        mean,
        count,
        samples,
        worst,
        rise,
        resets,
        held,
        flawless=not head.samples,
    )


def _restored(
    head: _Head, cuts: Mapping[str, NDArray[np.uint8]], first: NDArray[np.int64], what: int
) -> tuple[Floats, Floats, Floats, Floats, Floats, Floats]:
    days, n = first.size, head.buckets
    nothing = np.zeros(days * n) if what == 4 else None
    if head.form in {FLOAT_32, FLOAT_64}:
        kinds = (np.uint32, np.float32) if head.form == FLOAT_32 else (np.uint64, np.float64)
        bits = np.bitwise_xor.accumulate(_from_planes(cuts["numbers"], kinds[0]).reshape(days, what, n), axis=2)
        numbers = bits.view(kinds[1]).astype(np.float64)
        rows = [numbers[:, row].reshape(-1) for row in range(what)]
        means = np.bitwise_xor.accumulate(_from_planes(cuts["mean"], np.uint32).reshape(days, n), axis=1)
        mean = means.view(np.float32).astype(np.float64).reshape(-1)
    else:
        whole = _from_planes(cuts["numbers"], SIGNED[head.numbers]).reshape(days, what, n)
        low = np.cumsum(whole[:, 0], axis=1, dtype=np.int64) + first[:, None]
        exact = [low, *(low + whole[:, row] for row in (1, 2, 3))]
        rows = [from_whole(row.reshape(-1), head.form, head.places) for row in exact]
        if what > 4:
            rows.append(from_whole(whole[:, 4].reshape(-1).astype(np.int64), WHOLE, head.places))
        above = _from_planes(cuts["mean"], SIGNED[head.mean]).reshape(days, n)
        mean = from_whole((low * 10**MEAN_PLACES + above).reshape(-1), WHOLE, head.places + MEAN_PLACES)
    rise = rows[4] if nothing is None else nothing
    return rows[0], rows[1], rows[2], rows[3], np.clip(mean, rows[0], rows[1]), rise


def _held(head: _Head, names: NDArray[np.uint8], seconds: NDArray[np.uint8]) -> dict[int, Floats]:
    days, n = names.shape[0], head.buckets
    if not head.states_count:
        return {}
    numbers = _from_planes(names, np.int32).reshape(days, head.states_count)
    spent = _from_planes(seconds, np.uint32).reshape(days, head.states_count, n) / 1_000.0
    held = {state: np.zeros((days, n)) for state in np.unique(numbers).tolist()}
    for day in range(days):
        for place, state in enumerate(numbers[day].tolist()):
            held[state][day] = spent[day, place]
    return {state: rows.reshape(-1) for state, rows in held.items()}


def _planes(column: NDArray[np.generic]) -> bytes:
    size = column.dtype.itemsize
    return np.ascontiguousarray(np.ascontiguousarray(column).view(np.uint8).reshape(-1, size).T).tobytes()


def _from_planes(planes: NDArray[np.uint8], kind: type[np.generic]) -> NDArray[Any]:
    """Return numbers per day, shape [day, numbers], from bytes that stand place by place."""
    size, days = np.dtype(kind).itemsize, planes.shape[0]
    ordered = np.ascontiguousarray(planes.reshape(days, size, -1).transpose(0, 2, 1))
    return ordered.view(kind).reshape(days, -1)
