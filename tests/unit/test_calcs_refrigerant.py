"""Gauge and absolute pressure are two things."""

from __future__ import annotations

import pytest

from plantview.calcs.refrigerant import absolute_kpaa, saturation_c


def test_a_vacuum_is_a_negative_gauge_reading() -> None:
    assert absolute_kpaa(-40.0, 101.0) == 61.0


def test_a_gauge_pressure_read_as_absolute_is_kelvins_wrong() -> None:
    right, wrong = saturation_c(absolute_kpaa(794.0, 101.325), "R-134a"), saturation_c(794.0, "R-134a")
    assert right - wrong == pytest.approx(4.2, abs=0.1)
