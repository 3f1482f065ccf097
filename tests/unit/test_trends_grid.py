"""Samples over the columns of a picture: nothing read vanishes, nothing not read is drawn."""

from __future__ import annotations

import struct

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from plantview.history import Samples
from plantview.model.quality import Quality
from plantview.web.trends_grid import GAP, NOTHING, columns, gap_between, joined, middles_s, nothing, rows_of_samples

FROM_MS, TO_MS = 1_000_000, 2_000_000


def samples(at_ms: list[int], values: list[float], quality: list[int] | None = None) -> Samples:
    marks = np.array(quality or [0] * len(at_ms), np.uint8)
    return Samples(np.array(at_ms, np.int64), np.array(values, np.float64), marks, ("",) * len(at_ms))


@given(
    st.lists(
        st.tuples(st.integers(FROM_MS, TO_MS - 1), st.floats(-1e6, 1e6)),
        min_size=1,
        max_size=60,
        unique_by=lambda pair: pair[0],
    ),
    st.integers(1, 40),
)
def test_the_lowest_and_the_highest_of_what_was_read_are_always_there(
    pairs: list[tuple[int, float]], width: int
) -> None:
    pairs.sort()
    rows = rows_of_samples(samples([at for at, _ in pairs], [value for _, value in pairs]), 10_000.0, TO_MS)
    found = columns(rows, FROM_MS, TO_MS, width, state=False)
    values = [value for _, value in pairs]
    assert np.nanmin(found.low) == min(values)
    assert np.nanmax(found.high) == max(values)
    step = (TO_MS - FROM_MS) / width
    for at, value in pairs:
        place = min(int((at - FROM_MS) / step), width - 1)
        assert found.low[place] <= value <= found.high[place]


def test_the_newest_sample_stands_in_the_last_column() -> None:
    # 7 columns do not divide the span: a remainder must not fall off its end
    found = columns(rows_of_samples(samples([TO_MS - 1], [5.0]), 1.0, TO_MS), FROM_MS, TO_MS, 7, state=False)
    assert found.mid.tolist()[-1] == 5.0
    assert found.quality.tolist() == [NOTHING] * 6 + [Quality.GOOD]


def test_a_bad_sample_is_a_gap_until_the_next_one() -> None:
    rows = rows_of_samples(
        samples([FROM_MS, FROM_MS + 300_000, FROM_MS + 500_000], [1, np.nan, 2], [0, 3, 0]), 300.0, TO_MS
    )
    found = columns(rows, FROM_MS, TO_MS, 10, state=False)
    assert found.quality.tolist() == [0, NOTHING, NOTHING, GAP, GAP, 0, *[NOTHING] * 4]
    assert np.isnan(found.mid[3:5]).all()


def test_silence_of_several_periods_is_a_gap_and_of_one_is_none() -> None:
    rows = rows_of_samples(samples([FROM_MS, FROM_MS + 100_000, FROM_MS + 900_000], [1, 2, 3]), 100.0, TO_MS)
    found = columns(rows, FROM_MS, TO_MS, 10, state=False)
    assert found.quality.tolist() == [0, 0, NOTHING, NOTHING, GAP, GAP, GAP, GAP, GAP, 0]


def test_a_short_gap_inside_a_column_that_has_numbers_is_said_and_does_not_hide_them() -> None:
    rows = rows_of_samples(
        samples([FROM_MS, FROM_MS + 10_000, FROM_MS + 20_000], [1, np.nan, 2], [0, 3, 1]), 10.0, FROM_MS + 30_000
    )
    found = columns(rows, FROM_MS, TO_MS, 4, state=False)
    assert (found.low[0], found.high[0], found.quality[0]) == (1.0, 2.0, Quality.BAD)


def test_a_state_is_the_last_one_and_an_amount_is_the_mean() -> None:
    rows = rows_of_samples(samples([FROM_MS, FROM_MS + 1, FROM_MS + 2], [0, 0, 1]), 1.0, FROM_MS + 3)
    assert columns(rows, FROM_MS, TO_MS, 1, state=True).mid.tolist() == [1.0]
    assert columns(rows, FROM_MS, TO_MS, 1, state=False).mid.tolist() == [pytest.approx(1 / 3)]


def test_two_parts_that_do_not_touch_have_a_gap_between_them() -> None:
    older, newer = (rows_of_samples(samples([at], [1.0]), 1.0, at + 1) for at in (FROM_MS, FROM_MS + 500_000))
    found = columns(joined([older, gap_between(older, newer, 1.0), newer]), FROM_MS, TO_MS, 10, state=False)
    assert found.quality.tolist()[1:5] == [GAP] * 4
    assert len(gap_between(older, newer, 1_000.0).start_ms) == 0
    assert len(gap_between(nothing(), newer, 1.0).start_ms) == 0


def test_the_middles_of_the_columns_lie_inside_the_span() -> None:
    middles = middles_s(FROM_MS, TO_MS, 10)
    assert middles.tolist() == [1050, 1150, 1250, 1350, 1450, 1550, 1650, 1750, 1850, 1950]
    assert struct.calcsize("<I") == middles.itemsize
