"""Event states of the simulated controllers' own alarms, second by second.

Oracle: traces worked by hand from the transition tables of ANSI/ASHRAE 135, clause 13.3 (OUT_OF_RANGE
conditions a to h, FLOATING_LIMIT, CHANGE_OF_STATE, COMMAND_FAILURE), one scan a second, strict comparisons.
"""

from __future__ import annotations

from dataclasses import replace
from typing import Final

import pytest

from plantview.simulator.devices.event_algorithms import (
    FAULT,
    HIGH_LIMIT,
    LOW_LIMIT,
    NORMAL,
    OFFNORMAL,
    Algorithm,
    ChangeOfState,
    CommandFailure,
    EventState,
    FloatingLimit,
    OutOfRange,
    Sample,
)

Spans = list[tuple[float, int]]
"""A value and for how many seconds it stays."""
BAND: Final = OutOfRange(40.0, 48.0, 1.0, 30.0, 10.0)


def transitions(algorithm: Algorithm, samples: list[Sample]) -> list[tuple[int, int]]:
    """Return (second, new state) of every change while one sample follows another each second."""
    events = EventState(algorithm)
    return [(second, events.state) for second, sample in enumerate(samples) if events.scan(float(second), sample)]


def spread(spans: Spans, reference: float = 0.0) -> list[Sample]:
    return [Sample(value, reference) for value, seconds in spans for _ in range(seconds)]


def test_a_short_burst_and_a_dip_start_the_delay_anew_and_the_deadband_holds() -> None:
    spans: Spans = [(45, 20), (49, 25), (47.5, 5), (49, 40), (47.2, 30), (46.9, 20)]
    assert transitions(BAND, spread(spans)) == [(80, HIGH_LIMIT), (130, NORMAL)]


def test_the_low_limit_is_left_only_beyond_its_deadband() -> None:
    assert transitions(BAND, spread([(45, 10), (38, 40), (40.5, 30), (41.2, 15)])) == [(40, LOW_LIMIT), (90, NORMAL)]


def test_a_limit_that_is_not_enabled_raises_nothing() -> None:
    band = replace(BAND, delay_s=5.0, delay_normal_s=5.0, high_enabled=False)
    assert transitions(band, spread([(60, 10), (39, 10)])) == [(15, LOW_LIMIT)]


@pytest.mark.parametrize(
    ("crosses", "expected"),
    [
        (False, [(5 + 0, HIGH_LIMIT), (12, NORMAL), (18, LOW_LIMIT)]),
        (True, [(5 + 0, HIGH_LIMIT), (15, LOW_LIMIT)]),
    ],
)
def test_from_one_limit_to_the_other_with_and_without_the_optional_conditions(
    crosses: bool, expected: list[tuple[int, int]]
) -> None:
    band = replace(BAND, delay_s=5.0, delay_normal_s=2.0, crosses=crosses)
    assert transitions(band, spread([(50, 10), (30, 20)])) == expected


def test_switching_a_limit_off_ends_its_alarm_at_once() -> None:
    band = replace(BAND, delay_s=5.0)
    events = EventState(band)
    for second in range(7):
        events.scan(float(second), Sample(50.0))
    assert events.state == HIGH_LIMIT
    band.high_enabled = False
    assert events.scan(7.0, Sample(50.0))
    assert events.state == NORMAL


def test_equality_with_a_limit_neither_sets_nor_clears() -> None:
    band = replace(BAND, delay_s=0.0, delay_normal_s=0.0)
    assert transitions(band, spread([(48.0, 5), (48.01, 1), (47.0, 5), (46.99, 1)])) == [(5, HIGH_LIMIT), (11, NORMAL)]


def test_a_limit_that_floats_with_its_setpoint_is_not_cleared_by_moving_the_setpoint_alone() -> None:
    floating = FloatingLimit(OutOfRange(2.0, 2.0, 0.5, 60.0, 30.0))
    samples = [
        *spread([(44.5, 60), (46.5, 100)], reference=44.0),
        *spread([(46.5, 40), (46.4, 40)], reference=45.0),
    ]
    assert transitions(floating, samples) == [(120, HIGH_LIMIT), (230, NORMAL)]


def test_a_state_is_an_alarm_after_its_delay_and_none_at_once_without_one() -> None:
    state = ChangeOfState({1.0}, 10.0, 0.0)
    assert transitions(state, spread([(0, 5), (1, 15), (0, 5)])) == [(15, OFFNORMAL), (20, NORMAL)]


@pytest.mark.parametrize(("proven_at", "expected"), [(12, []), (16, [(15, OFFNORMAL), (16, NORMAL)])])
def test_a_pump_that_proves_in_time_raises_nothing_and_a_late_one_does(
    proven_at: int, expected: list[tuple[int, int]]
) -> None:
    samples = [Sample(1.0, float(second >= proven_at)) for second in range(20)]
    assert transitions(CommandFailure(15.0, 0.0), samples) == expected


def test_the_delay_of_one_alarm_state_does_not_count_for_another() -> None:
    state = ChangeOfState({1.0, 2.0}, 10.0, 0.0)
    assert transitions(state, spread([(1, 6), (2, 12)])) == [(16, OFFNORMAL)]


def test_a_fault_comes_and_goes_at_once_and_the_delay_starts_anew_behind_it() -> None:
    events = EventState(replace(BAND, delay_s=5.0))
    seen = [
        (second, events.state)
        for second in range(16)
        if events.scan(float(second), Sample(50.0), faulty=3 <= second < 6)
    ]
    assert seen == [(3, FAULT), (6, NORMAL), (12, HIGH_LIMIT)]
