"""Few buckets hide nothing: compared with plain loops over the same samples."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from plantview.history.buckets import Wanted, from_column
from plantview.history.column import Column
from plantview.history.reduce import ANALOG, REGISTER, STATE, Rows, concatenated, in_order, reduced, rows_of
from plantview.history.samples import Described
from plantview.history.sums import pack_sums, unpack_sums
from plantview.model.quality import Quality

MINUTES_5, HOUR_MS = 300_000, 3_600_000
POINT = Described("CH-1.chws_temp", "degC", "temperature", {}, "", 5.0, derived=False)


def column(values: list[float], *, step_ms: int = 5_000, start_ms: int = 0, bad: tuple[int, ...] = ()) -> Column:
    size = len(values)
    quality = np.zeros(size, np.uint8)
    quality[list(bad)] = Quality.BAD
    numbers = np.array(values, np.float64)
    numbers[list(bad)] = np.nan
    at_ms = start_ms + step_ms * np.arange(size, dtype=np.int64)
    return Column(at_ms, numbers, quality, np.zeros(size, np.uint16))


def edges(to_ms: int, step_ms: int) -> np.ndarray:
    return np.arange(0, to_ms + 1, step_ms, dtype=np.int64)


@pytest.fixture
def noisy() -> Column:
    lots = np.random.default_rng(3)
    samples = column(np.round(7 + np.cumsum(lots.normal(0, 0.1, 4_000)), 1).tolist())
    keep = lots.random(4_000) > 0.3
    keep[1_000:1_400] = False
    kept = samples.part(keep)
    kept.quality[50:90] = Quality.BAD
    kept.values[50:90] = np.nan
    kept.quality[200] = Quality.UNCERTAIN
    return kept


def test_a_bucket_says_the_worst_quality_in_it(noisy: Column) -> None:
    rows = rows_of(noisy, edges(20_100_000, MINUTES_5), ANALOG, 5_000)
    for number, worst in enumerate(rows.worst.tolist()):
        inside = (noisy.at_ms >= number * MINUTES_5) & (noisy.at_ms < (number + 1) * MINUTES_5)
        assert worst == max(noisy.quality[inside].tolist(), default=0)


def test_hours_from_five_minutes_are_hours_from_samples(noisy: Column) -> None:
    hours = edges(6 * HOUR_MS, HOUR_MS)
    straight = rows_of(noisy, hours, ANALOG, 5_000)
    stepwise = reduced(rows_of(noisy, edges(6 * HOUR_MS, MINUTES_5), ANALOG, 5_000), hours)
    for name in ("min", "max", "first", "last", "count", "samples", "worst"):
        np.testing.assert_array_equal(getattr(stepwise, name), getattr(straight, name), err_msg=name)
    np.testing.assert_allclose(stepwise.mean, straight.mean, rtol=1e-12)


STATES = st.lists(st.sampled_from([0.0, 1.0, 3.0]), min_size=2, max_size=400)


@given(STATES, st.sampled_from([30_000, MINUTES_5]))
def test_time_in_state_adds_up_to_the_time_that_samples_vouch_for(values: list[float], step_ms: int) -> None:
    samples = column(values)
    end = len(values) * 5_000
    rows = rows_of(samples, edges(end + step_ms, step_ms), STATE, 5_000)
    for state in set(values):
        assert rows.in_state[round(state)].sum() == pytest.approx(5.0 * values.count(state))
    total = sum(rows.in_state.values())
    assert np.all(total <= step_ms / 1_000 + 1e-6)


def test_a_state_nobody_read_for_long_is_known_for_one_period_only() -> None:
    samples = column([1.0] * 10)
    samples.at_ms[5:] += 600_000
    rows = rows_of(samples, edges(900_000, MINUTES_5), STATE, 5_000)
    assert rows.in_state[1].sum() == pytest.approx(10 * 5.0)


def test_a_state_without_a_number_is_no_state() -> None:
    rows = rows_of(column([1.0] * 60, bad=tuple(range(20, 40))), edges(MINUTES_5, MINUTES_5), STATE, 5_000)
    assert rows.in_state[1].sum() == pytest.approx(40 * 5.0)


def test_a_register_that_is_set_back_counts_on_without_the_step_it_hides() -> None:
    samples = column([10.0, 12.0, 15.0, 1.0, 2.0, 4.0], step_ms=100_000)
    rows = rows_of(samples, edges(600_000, MINUTES_5), REGISTER, 100_000)
    assert rows.rise.tolist() == [5.0, 3.0]
    whole = reduced(rows, edges(600_000, 600_000))
    assert (whole.rise.tolist(), whole.resets.tolist()) == ([8.0], [1])


@given(st.lists(st.integers(0, 1_000), min_size=2, max_size=300))
def test_what_a_register_counted_is_the_same_by_samples_and_by_summaries(steps: list[int]) -> None:
    values = np.cumsum(steps).astype(float)
    values[len(steps) // 2 :] -= values[len(steps) // 2] - 0.5
    samples = column(values.tolist(), step_ms=60_000)
    end = -(-len(steps) * 60_000 // HOUR_MS) * HOUR_MS
    five = rows_of(samples, edges(end, MINUTES_5), REGISTER, 60_000)
    whole = reduced(five, np.array([0, end]))
    differences = np.diff(values)
    assert whole.rise[0] == pytest.approx(differences[differences > 0].sum())
    assert whole.resets[0] == (differences < 0).sum()


@pytest.mark.parametrize("kind", [ANALOG, STATE, REGISTER])
@pytest.mark.parametrize("digits", ["tenths", "single", "double"])
def test_summaries_come_back_as_they_were_kept(noisy: Column, kind: str, digits: str) -> None:
    values = {
        "tenths": noisy.values,
        "single": (noisy.values / 3).astype(np.float32).astype(np.float64),
        "double": noisy.values / 3,
    }[digits]
    samples = Column(noisy.at_ms, np.round(values) if kind == STATE else values, noisy.quality, noisy.reason)
    days = [rows_of(samples, edges(24 * HOUR_MS, step), kind, 5_000) for step in (MINUTES_5, MINUTES_5, HOUR_MS)]
    days = [replace(rows, start_ms=rows.start_ms + 24 * HOUR_MS * number) for number, rows in enumerate(days)]
    back = unpack_sums([pack_sums(rows) for rows in days], [rows.start_ms for rows in days])
    ours, theirs = in_order(concatenated(back)), concatenated(days)
    for name in ("start_ms", "min", "max", "first", "last", "count", "samples", "worst", "resets"):
        np.testing.assert_array_equal(getattr(ours, name), getattr(theirs, name), err_msg=name)
    digit = {"tenths": 0.1}.get(digits, 1e-4) if kind != STATE else 1.0
    np.testing.assert_allclose(ours.mean, theirs.mean, atol=0.0051 * digit)
    np.testing.assert_allclose(ours.rise, theirs.rise, atol=1e-6, rtol=1e-6)
    assert ours.in_state.keys() == theirs.in_state.keys()
    for state, seconds in theirs.in_state.items():
        np.testing.assert_allclose(ours.in_state[state], seconds, atol=0.001)


def shown(samples: Column, from_ms: int, to_ms: int, width: int) -> list[tuple[int, int, int]]:
    buckets = from_column(samples, POINT, Wanted.of(from_ms, to_ms, width))
    assert np.all(buckets.start_ms[1:] >= buckets.end_ms[:-1]), "rows overlap"
    assert np.isnan(buckets.mean).tolist() == (buckets.count == 0).tolist()
    return list(zip(buckets.start_ms.tolist(), buckets.end_ms.tolist(), buckets.count.tolist(), strict=True))


@pytest.mark.parametrize("width", [50, 5_000])
def test_a_stretch_without_samples_is_a_gap_wide_or_narrow(width: int) -> None:
    samples = column([7.0] * 200).part(np.r_[0:60, 120:200])
    gaps = [row for row in shown(samples, 0, 1_000_000, width) if row[2] == 0]
    assert len(gaps) == 1
    start, end, _ = gaps[0]
    assert 295_000 <= start <= 320_001
    assert 580_000 <= end <= 600_000


@pytest.mark.parametrize("width", [40, 5_000])
def test_bad_samples_are_a_gap_and_the_neighbours_stay(width: int) -> None:
    rows = shown(column([7.0] * 200, bad=tuple(range(80, 100))), 0, 1_000_000, width)
    assert sum(row[2] for row in rows) == 180
    assert len([row for row in rows if row[2] == 0]) == 1


@pytest.mark.parametrize("width", [40, 5_000])
def test_one_missed_poll_is_no_gap(width: int) -> None:
    rows = shown(column([7.0] * 200).part(np.r_[0:60, 61:200]), 0, 1_000_000, width)
    assert all(count for _, _, count in rows)


def test_few_samples_are_shown_at_the_very_time_they_were_read() -> None:
    samples = column([7.0, 7.1, 7.2])
    assert shown(samples, 0, 15_000, 100) == [(0, 1, 1), (5_000, 5_001, 1), (10_000, 10_001, 1)]


def test_nothing_at_all_is_one_gap() -> None:
    assert shown(Column.none(), 1_000, 90_000, 100) == [(1_000, 90_000, 0)]


@given(st.integers(0, 10**12), st.integers(1, 10**11), st.integers(1, 3_000))
def test_there_are_never_more_buckets_than_the_width(from_ms: int, span: int, width: int) -> None:
    wanted = Wanted.of(from_ms, from_ms + span, width)
    cuts = wanted.edges
    assert cuts.size - 1 <= max(2, width)
    assert cuts[0] <= from_ms
    assert cuts[-1] >= from_ms + span
    assert math.gcd(int(cuts[0]), int(cuts[1] - cuts[0])) == cuts[1] - cuts[0]


@pytest.mark.parametrize(
    ("from_ms", "to_ms", "width"), [(5, 5, 100), (9, 5, 100), (-1, 5, 100), (0, 5, 0), (0, 5, 10**6)]
)
def test_a_stretch_or_width_that_cannot_be_is_refused(from_ms: int, to_ms: int, width: int) -> None:
    with pytest.raises(ValueError, match=r"no stretch of time|a width must be"):
        Wanted.of(from_ms, to_ms, width)


def test_rows_of_no_summary_are_refused_when_their_length_is_wrong() -> None:
    rows: Rows = rows_of(column([1.0] * 100), edges(HOUR_MS, MINUTES_5), ANALOG, 5_000)
    block = pack_sums(rows)
    with pytest.raises(Exception, match="another length"):
        unpack_sums([block], [rows.start_ms[:-1]])
