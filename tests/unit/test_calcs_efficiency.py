"""Averages over time are sums over sums."""

from __future__ import annotations

import math

import pandas as pd
import pytest

from plantview.calcs.efficiency import average_kw_per_ton, load_pct
from plantview.errors import OutsideSourceRange


def test_the_average_is_weighted_by_load_and_not_the_mean_of_ratios() -> None:
    energies_kwh, coolings_ton_h = [50.0, 30.0], [100.0, 25.0]  # 0.5 and 1.2 kW/ton
    assert average_kw_per_ton(energies_kwh, coolings_ton_h) == 80.0 / 125.0
    assert average_kw_per_ton(energies_kwh, coolings_ton_h) != pytest.approx((0.5 + 1.2) / 2)


def test_an_hour_with_a_missing_half_is_left_out_of_both_sums() -> None:
    energies, coolings = pd.Series([60.0, 500.0, math.nan]), pd.Series([100.0, math.nan, 900.0])
    assert average_kw_per_ton(energies.tolist(), coolings.tolist()) == 0.6


@pytest.mark.parametrize(("energies", "coolings"), [([], []), ([5.0], [0.0]), ([math.nan], [10.0])])
def test_without_cooling_there_is_no_average(energies: list[float], coolings: list[float]) -> None:
    with pytest.raises(OutsideSourceRange):
        average_kw_per_ton(energies, coolings)


def test_rows_of_two_lengths_are_a_mistake() -> None:
    with pytest.raises(ValueError, match="argument 2 is shorter"):
        average_kw_per_ton([1.0, 2.0], [1.0])


def test_part_load_may_pass_100_percent_but_needs_a_design_capacity() -> None:
    assert load_pct(2_400.0, 2_000.0) == pytest.approx(120.0)
    with pytest.raises(OutsideSourceRange):
        load_pct(100.0, 0.0)
