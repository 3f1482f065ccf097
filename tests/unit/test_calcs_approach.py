"""Differences of temperatures: which is taken from which, on the trade's round numbers."""

from __future__ import annotations

from collections.abc import Callable

import pytest

from plantview.calcs.approach import (
    condenser_approach_k,
    evaporator_approach_k,
    lift_k,
    subcooling_k,
    superheat_k,
    water_delta_t_k,
    water_lift_k,
)

ROWS: list[tuple[Callable[[float, float], float], float, float, float]] = [
    (water_delta_t_k, 12.2, 6.7, 5.5),
    (condenser_approach_k, 36.1, 35.0, 1.1),
    (evaporator_approach_k, 6.7, 5.6, 1.1),
    (lift_k, 36.1, 5.6, 30.5),
    (water_lift_k, 35.0, 6.7, 28.3),
    (subcooling_k, 36.1, 32.0, 4.1),
    (superheat_k, 7.6, 5.6, 2.0),
]


@pytest.mark.parametrize(("calc", "first", "second", "expected"), ROWS)
def test_a_machine_in_good_health_has_positive_differences(
    calc: Callable[[float, float], float], first: float, second: float, expected: float
) -> None:
    assert calc(first, second) == pytest.approx(expected)
    assert calc(second, first) == pytest.approx(-expected)
