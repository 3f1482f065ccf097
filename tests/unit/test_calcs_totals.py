"""What a span of time adds up to."""

from __future__ import annotations

import math

import numpy as np
import pandas as pd
import pytest

from plantview.calcs.totals import energy_kwh, register_energy_kwh, run_hours_h, starts, weighted_average
from plantview.errors import OutsideSourceRange


def test_energy_of_an_hour_by_the_minute_is_the_integral() -> None:
    hours = np.arange(61) / 60
    assert energy_kwh(hours.tolist(), (100 + 60 * hours).tolist()) == pytest.approx(130.0)
    daily = np.arange(24 * 60 + 1) / 60
    wave = 300 + 100 * np.sin(daily / 24 * 2 * math.pi)
    assert energy_kwh(daily.tolist(), wave.tolist()) == pytest.approx(7_200.0, rel=1e-6)


def test_what_nobody_saw_is_not_counted() -> None:
    hours = [0.0, 0.1, 0.2, 2.0, 2.1]
    assert energy_kwh(hours, [100.0] * 5) == pytest.approx(30.0)
    assert energy_kwh(hours, [100.0, math.nan, 100.0, 100.0, 100.0]) == pytest.approx(10.0)
    assert energy_kwh(hours, [100.0] * 5, gap_h_max=5.0) == pytest.approx(210.0)
    assert energy_kwh([0.0], [100.0]) == 0.0


def test_a_gap_as_long_as_allowed_is_counted_and_a_longer_one_not() -> None:
    assert energy_kwh([0.0, 0.25], [100.0, 100.0]) == pytest.approx(25.0)
    assert energy_kwh([0.0, 0.26], [100.0, 100.0]) == 0.0
    assert run_hours_h([0.0, 0.25], [1.0, 1.0]) == 0.25
    assert run_hours_h([0.0, 0.26], [1.0, 1.0]) == 0.0


def test_run_hours_and_starts_of_a_morning() -> None:
    hours = [0.0, 0.1, 0.2, 0.3, 0.4, 0.5]
    state = [0.0, 1.0, 1.0, math.nan, 1.0, 0.0]
    assert run_hours_h(hours, state) == pytest.approx(0.3)
    assert starts(state) == 1
    assert starts([1.0, 1.0]) == 0, "it ran before anybody looked"
    assert starts(pd.Series([0.0, math.nan, 1.0, 0.0, 1.0]).tolist()) == 2
    assert starts([]) == 0


def test_times_that_do_not_rise_are_refused() -> None:
    for calc in (energy_kwh, run_hours_h):
        with pytest.raises(OutsideSourceRange, match="rise"):
            calc([0.0, 0.1, 0.1], [1.0, 1.0, 1.0])
        with pytest.raises(ValueError, match="3 times and 2"):
            calc([0.0, 0.1, 0.2], [1.0, 1.0])


def test_an_average_carries_its_weights_and_leaves_out_what_is_missing() -> None:
    assert weighted_average([6.0, 14.0, math.nan, 9.0], [30.0, 10.0, 5.0, math.nan]) == 8.0
    assert weighted_average([6.0, 14.0], [30.0, 10.0]) != pytest.approx(10.0)
    for weights in ([0.0, 0.0], [math.nan, math.nan]):
        with pytest.raises(OutsideSourceRange, match="weights"):
            weighted_average([6.0, 14.0], weights)


def test_a_register_is_counted_through_its_roll_over() -> None:
    assert register_energy_kwh([9_990.0, 9_998.0, 6.0, 14.0], 10_000.0, 50.0) == pytest.approx(24.0)


def test_a_new_meter_begins_a_new_count() -> None:
    counted = [8_000.0, 8_020.0, 8_040.0, 3.0, 23.0, 43.0]
    assert register_energy_kwh(counted, 10_000.0, 50.0) == pytest.approx(80.0)
    assert register_energy_kwh([3.0, 23.0, 8_000.0, 8_020.0], 10_000.0, 50.0) == pytest.approx(40.0)


def test_a_step_as_large_as_believable_counts_and_a_missing_reading_is_passed_over() -> None:
    assert register_energy_kwh([0.0, 50.0, math.nan, 100.0, 100.0], 10_000.0, 50.0) == 100.0
    assert register_energy_kwh([0.0, 50.1], 10_000.0, 50.0) == 0.0
    assert register_energy_kwh([5.0], 10_000.0, 50.0) == 0.0
    with pytest.raises(OutsideSourceRange):
        register_energy_kwh([0.0, 1.0], 0.0, 50.0)


def test_a_register_that_stands_still_has_not_turned_over_and_a_small_step_is_one() -> None:
    assert register_energy_kwh([50.0, 50.0], 100.0, 100.0) == 0.0
    assert register_energy_kwh([50.0, 50.5], 100.0, 100.0) == 0.5
    assert register_energy_kwh([99.5, 0.25], 100.0, 100.0) == 0.75


def test_a_state_that_was_averaged_counts_as_running_where_it_ran_for_more_than_half_of_the_time() -> None:
    assert run_hours_h([0.0, 0.1, 0.2], [0.5, 0.51, 0.0]) == 0.1
    assert starts([0.0, 0.5, 0.0, 0.51, 0.0, 1.0]) == 2


def test_sums_are_written_to_the_ninth_digit_in_which_no_rounding_of_tenths_shows() -> None:
    assert str(energy_kwh([0.0, 0.1], [10 / 3, 10 / 3])) == "0.333333333"
    assert str(run_hours_h([0.0, 0.1, 0.1 + 1 / 7], [1.0, 1.0, 0.0])) == "0.242857143"
