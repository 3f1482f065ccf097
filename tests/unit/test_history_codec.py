"""Columns come back bit by bit, and a block that was touched is refused."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from numpy.typing import NDArray

from plantview.history.codec import Damaged, pack, pack_times, protect, unpack, unpack_times, verified
from plantview.history.column import Column, merged, pack_column, unpack_column
from plantview.history.hotblock import Hot, pack_hot, unpack_hot
from plantview.model.quality import Quality

FLOATS = st.floats(allow_nan=False, width=64)
TENTHS = st.integers(-100_000, 100_000).map(lambda whole: whole / 10)
SINGLES = st.floats(allow_nan=False, width=32)
COLUMNS = st.one_of(st.lists(TENTHS), st.lists(SINGLES), st.lists(FLOATS), st.lists(st.sampled_from([0.0, 1.0, -0.0])))


def bits(values: NDArray[np.float64]) -> list[int]:
    return [int(number) for number in values.view(np.int64)]


@given(COLUMNS)
def test_every_column_comes_back_bit_by_bit(numbers: list[float]) -> None:
    values = np.array(numbers, np.float64)
    assert bits(unpack(pack(values))) == bits(values)


def test_a_column_without_some_numbers_keeps_where_they_are_missing() -> None:
    values = np.array([1.5, math.nan, 2.5, math.nan])
    assert np.array_equal(unpack(pack(values)), values, equal_nan=True)


@pytest.mark.parametrize(
    ("what", "values", "bytes_per_sample_max"),
    [
        ("a set-point", np.full(17_280, 6.7), 0.01),
        ("tenths", np.round(7 + np.sin(np.arange(17_280) / 500), 1), 0.1),
        ("tenths as 32-bit floats", np.round(7 + np.sin(np.arange(17_280) / 500), 1).astype("f4").astype("f8"), 0.1),
        ("a register", np.round(1e6 + np.arange(17_280) * 0.4, 1), 0.02),
    ],
)
def test_what_devices_report_takes_little_room(
    what: str, values: NDArray[np.float64], bytes_per_sample_max: float
) -> None:
    block = pack(values)
    assert len(block) / values.size < bytes_per_sample_max, what
    assert bits(unpack(block)) == bits(values)


@given(st.lists(st.integers(0, 4_000_000_000_000), unique=True))
def test_times_come_back_exactly(stamps: list[int]) -> None:
    at_ms = np.array(sorted(stamps), np.int64)
    assert unpack_times(pack_times(at_ms)).tolist() == at_ms.tolist()


def test_times_of_a_steady_poll_with_jitter_take_about_a_byte() -> None:
    jitter = np.random.default_rng(1).normal(0, 12, 17_280).astype(np.int64)
    at_ms = 1_793_491_200_000 + 5_000 * np.arange(17_280, dtype=np.int64) + jitter
    assert len(pack_times(at_ms)) < 1.1 * at_ms.size


@given(st.binary(min_size=1, max_size=200), st.data())
def test_one_changed_bit_anywhere_is_found(content: bytes, data: st.DataObject) -> None:
    block = bytearray(protect(b"key", content))
    place = data.draw(st.integers(0, 8 * len(block) - 1))
    block[place // 8] ^= 1 << place % 8
    with pytest.raises(Damaged):
        verified(b"key", bytes(block))


def test_a_sound_block_under_another_key_is_refused() -> None:
    block = protect(b"point 1", b"content")
    assert verified(b"point 1", block) == b"content"
    with pytest.raises(Damaged):
        verified(b"point 2", block)


@st.composite
def columns(draw: st.DrawFn) -> Column:
    stamps = draw(st.lists(st.integers(0, 10**6), unique=True, min_size=1, max_size=60))
    size = len(stamps)
    quality = np.array(draw(st.lists(st.integers(0, 3), min_size=size, max_size=size)), np.uint8)
    values = np.array(draw(st.lists(st.one_of(TENTHS, FLOATS), min_size=size, max_size=size)), np.float64)
    values[quality == Quality.BAD] = np.nan
    reason = np.array(draw(st.lists(st.integers(0, 5), min_size=size, max_size=size)), np.uint16)
    return Column(np.array(sorted(stamps), np.int64), values, quality, reason)


@given(columns())
def test_quality_and_reason_come_back_with_the_numbers(column: Column) -> None:
    back = unpack_column(pack_column(column), column.at_ms)
    assert back.quality.tolist() == column.quality.tolist()
    assert back.reason.tolist() == column.reason.tolist()
    assert np.array_equal(back.values, column.values, equal_nan=True)


@given(columns(), columns())
def test_merging_keeps_every_time_once_and_the_later_sample(first: Column, second: Column) -> None:
    both = merged([first, second])
    expected = dict(zip(first.at_ms.tolist(), first.reason.tolist(), strict=True))
    expected |= dict(zip(second.at_ms.tolist(), second.reason.tolist(), strict=True))
    assert dict(zip(both.at_ms.tolist(), both.reason.tolist(), strict=True)) == expected
    assert np.all(np.diff(both.at_ms) > 0)


@given(columns(), st.integers(1, 3_000))
def test_a_commit_comes_back_in_the_order_it_came(column: Column, first_point: int) -> None:
    size = column.at_ms.size
    shuffled = np.random.default_rng(size).permutation(size)
    point = first_point + np.arange(size, dtype=np.int32) % 7
    hot = Hot(point, column.at_ms[shuffled], column.values, column.quality, column.reason)
    back = unpack_hot(pack_hot(hot, b"key"), b"key")
    for name in ("point", "at_ms", "quality", "reason"):
        assert getattr(back, name).tolist() == getattr(hot, name).tolist(), name
    assert np.array_equal(back.values, hot.values, equal_nan=True)
