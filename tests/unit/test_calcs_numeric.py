"""One number and a row of numbers go through the same arithmetic, to the last bit."""

from __future__ import annotations

import math
from typing import Any

import numpy as np
import pandas as pd
import pytest

from plantview.calcs._numeric import any_of, choose, exp, log
from plantview.calcs.exchange import counterflow_effectiveness_pct

POSITIVE = np.geomspace(1e-6, 1e6, 4_001)


def test_a_logarithm_has_the_same_last_bit_in_a_row_and_alone() -> None:
    assert [log(each) for each in POSITIVE.tolist()] == log(POSITIVE).tolist()
    small = np.linspace(0.01, 0.99, 999)
    assert [log(each) for each in small.tolist()] == log(small).tolist()


def test_an_exponential_has_the_same_last_bit_in_a_row_and_alone() -> None:
    powers = np.linspace(-20.0, 20.0, 4_001)
    assert [exp(each) for each in powers.tolist()] == exp(powers).tolist()


def test_what_is_not_above_0_has_no_logarithm() -> None:
    for value in (0.0, -1.0):
        with pytest.raises(ValueError, match=r"math domain error|positive"):
            log(value)
    assert log(1.0) == 0.0
    assert np.isnan(log(np.array([0.0, -1.0, math.nan]))).all()
    assert log(pd.Series([0.0, 1.0], index=[7, 8])).isna().tolist() == [True, False]


def test_a_condition_holds_somewhere_or_nowhere() -> None:
    assert any_of(np.array([False, True]))
    assert not any_of(np.array([False, False]))
    assert not any_of(False)
    assert choose(np.array([True, False]), np.array([1.0, 1.0]), np.array([2.0, 2.0])).tolist() == [1.0, 2.0]


def test_one_conductance_beside_rows_of_flows_gives_a_row() -> None:
    warm, cool = np.array([10.0, 10.0]), np.array([12.0, 10.0])
    found: Any = counterflow_effectiveness_pct(30.0, warm, cool)  # type: ignore[type-var]
    assert found.tolist() == pytest.approx(
        [counterflow_effectiveness_pct(30.0, *each) for each in ((10.0, 12.0), (10.0, 10.0))]
    )
