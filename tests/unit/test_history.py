"""The latest reading and its age, and the two hours behind it."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from plantview import units
from plantview.clock import ManualClock
from plantview.history import Latest, Recent, Ring
from plantview.history.latest import age_text
from plantview.model.quality import Quality
from plantview.model.reading import Batch, Reading, bad, good
from plantview.model.signal import Signal


def signal(name: str = "CH-1.chws_temp", period_s: float = 5.0) -> Signal:
    equipment, measurement = name.split(".")
    return Signal(
        name,
        equipment,
        measurement,
        "temperature",
        units.unit("degF", "temperature"),
        "",
        {},
        period_s,
        "BC-1",
        "analog-input,1",
        (),
        "",
    )


NAME = "CH-1.chws_temp"


def latest(clock: ManualClock, period_s: float = 5.0) -> Latest:
    return Latest({NAME: signal(period_s=period_s)}, clock)


async def test_a_point_that_was_never_read_is_bad_and_says_so() -> None:
    reading = latest(ManualClock()).frame().reading(NAME)
    assert (reading.value, reading.quality, reading.reason) == (None, Quality.BAD, "not read yet")


# age of the last reading at a period of 5 s -> quality (three periods, then the longer of ten periods and 60 s)
AGES = [(0.0, Quality.GOOD), (15.0, Quality.GOOD), (15.1, Quality.STALE), (60.0, Quality.STALE), (60.1, Quality.BAD)]


@pytest.mark.parametrize(("age_s", "quality"), AGES)
async def test_a_reading_grows_stale_then_bad(age_s: float, quality: Quality) -> None:
    clock = ManualClock()
    history = latest(clock)
    history.take(Batch(clock.now_ms(), {NAME: good(44.1, clock.now_ms())}))
    history.take(Batch(clock.now_ms(), {}, {NAME: "BC-1: no answer in 3 s"}))
    await clock.advance(age_s)
    reading = history.frame().reading(NAME)
    assert reading.quality is quality
    assert (reading.value is None) == (quality is Quality.BAD)
    assert (reading.reason == "") == (quality is Quality.GOOD)
    if reading.reason:
        assert "no answer in 3 s" in reading.reason


async def test_a_slow_point_turns_bad_after_ten_periods() -> None:
    clock = ManualClock()
    history = latest(clock, period_s=30.0)
    history.take(Batch(clock.now_ms(), {NAME: good(44.1, clock.now_ms())}))
    await clock.advance(299)
    assert history.frame().reading(NAME).quality is Quality.STALE
    await clock.advance(2)
    assert history.frame().reading(NAME).quality is Quality.BAD


async def test_an_answer_ends_the_silence_and_its_reason() -> None:
    clock = ManualClock()
    history = latest(clock)
    history.take(Batch(clock.now_ms(), {}, {NAME: "no answer in 3 s"}))
    assert history.frame().reading(NAME).reason == "no answer in 3 s"
    history.take(Batch(clock.now_ms(), {NAME: good(44.1, clock.now_ms())}))
    assert history.frame().reading(NAME) == good(44.1, clock.now_ms())


async def test_a_late_answer_does_not_replace_a_newer_one() -> None:
    clock = ManualClock()
    history = latest(clock)
    history.take(Batch(clock.now_ms(), {NAME: good(44.1, clock.now_ms())}))
    history.take(Batch(clock.now_ms(), {NAME: good(99.9, clock.now_ms() - 1)}))
    assert history.frame().reading(NAME).value == 44.1


async def test_a_derived_value_from_older_inputs_still_replaces_the_one_before() -> None:
    clock = ManualClock()
    name = "CH-1.cooling_load"
    derived = {name: replace(signal(name, period_s=15.0), device="", address="")}
    history = Recent(derived, clock)
    now_ms = clock.now_ms()
    history.take(Batch(now_ms, {name: good(0.0, now_ms)}))
    history.take(Batch(now_ms + 15_000, {name: good(500.0, now_ms - 4_000)}))
    assert history.frame().reading(name).value == 500.0
    assert history.range(name, 0, now_ms + 15_001).at_ms.tolist() == [now_ms, now_ms + 15_000]


async def test_after_the_clock_was_set_back_new_readings_are_taken() -> None:
    clock = ManualClock()
    history = latest(clock)
    history.take(Batch(clock.now_ms(), {NAME: good(44.1, clock.now_ms())}))
    clock.step(-3_600)
    history.take(Batch(clock.now_ms(), {NAME: good(45.0, clock.now_ms())}))
    assert history.frame().reading(NAME).value == 45.0


async def test_a_point_of_no_plant_is_not_kept() -> None:
    clock = ManualClock()
    history = Recent({NAME: signal()}, clock)
    history.take(Batch(0, {"X.y": good(1.0, 0)}))
    assert set(history.frame().readings) == {NAME}
    assert history.range("X.y", 0, 10**15).at_ms.size == 0


def test_the_ring_gives_back_what_it_was_given_with_gaps_as_gaps() -> None:
    ring = Ring({NAME: signal()})
    given_readings = [good(44.0, 1_000), bad("sensor open", 6_000), Reading(44.2, Quality.UNCERTAIN, "in hand", 11_000)]
    for reading in given_readings:
        ring.take(Batch(reading.at_ms, {NAME: reading}))
    samples = ring.range(NAME, 0, 11_001)
    assert samples.at_ms.tolist() == [1_000, 6_000, 11_000]
    assert samples.values[0] == 44.0
    assert math.isnan(samples.values[1])
    assert samples.quality.tolist() == [0, 3, 1]
    assert samples.reasons == ("", "sensor open", "in hand")
    assert ring.range(NAME, 1_001, 11_000).at_ms.tolist() == [6_000]


@given(st.lists(st.integers(0, 50_000_000), min_size=1, max_size=3_000), st.sampled_from([1.0, 5.0, 60.0]))
def test_the_ring_is_bounded_ordered_and_keeps_the_newest(stamps: list[int], period_s: float) -> None:
    ring = Ring({NAME: signal(period_s=period_s)})
    for stamp in stamps:
        ring.take(Batch(stamp, {NAME: good(float(stamp), stamp)}))
    samples = ring.range(NAME, 0, 10**12)
    assert samples.at_ms.size <= 7_200 / period_s
    assert np.all(np.diff(samples.at_ms) > 0)
    assert samples.at_ms[-1] == max(stamps)
    assert samples.values.tolist() == [float(stamp) for stamp in samples.at_ms]


@pytest.mark.parametrize(
    ("age_ms", "text"),
    [(0, "0 s"), (42_000, "42 s"), (119_000, "119 s"), (120_000, "2 min"), (7_200_000, "2 h"), (172_800_000, "2 d")],
)
def test_an_age_is_said_as_a_crew_says_it(age_ms: int, text: str) -> None:
    assert age_text(age_ms) == text


@pytest.mark.parametrize("count", [1, 100, 1_440, 2_000, 2_883])
def test_signals_read_together_and_apart_make_the_same_table(count: int) -> None:
    """A table of signals of one exchange is cut straight out of the memory; apart it is matched by time."""
    names = ["CH-1.chws_temp", "CH-1.chwr_temp", "CH-2.chws_temp"]
    together, apart = Ring({name: signal(name) for name in names}), Ring({name: signal(name) for name in names})
    for number in range(count):
        readings = {name: good(number + row / 10, 5_000 * number) for row, name in enumerate(names)}
        together.take(Batch(0, readings))
        for name, reading in readings.items():
            apart.take(Batch(0, {name: reading}))
    apart.take(Batch(0, {names[2]: good(-1.0, 5_000 * count)}))
    for span in ((0, 10**9), (5_000 * (count - 700), 5_000 * count), (5_000 * (count - 1_300), 5_000 * (count - 900))):
        at_ms, values = together.table(names, *span)
        expected = together.range(names[1], *span)
        assert at_ms.tolist() == expected.at_ms.tolist()
        assert values[1].tolist() == expected.values.tolist()
        other_at_ms, others = apart.table(names, span[0], min(span[1], 5_000 * count))
        assert other_at_ms[-at_ms.size :].tolist() == at_ms.tolist() or not at_ms.size
        assert others[:2, -at_ms.size :].tolist() == values[:2].tolist() or not at_ms.size
    at_ms, values = apart.table([*names, "X.unknown"], 0, 10**9)
    assert at_ms[-1] == 5_000 * count
    assert np.isnan(values[:2, -1]).all()
    assert np.isnan(values[3]).all()
