"""What must hold for any plausible input: signs, order, there and back."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from plantview.calcs.air import standard_pressure_kpaa, wet_bulb_c
from plantview.calcs.flow import barrel_flow_l_s, mixed_temperature_c
from plantview.calcs.load import cooling_load_kw, water_heat_kw
from plantview.calcs.refrigerant import REFRIGERANTS, saturation_c, saturation_pressure_kpaa

water_c = st.floats(0.0, 60.0)
flow_l_s = st.floats(0.0, 2_000.0)


@given(flow_l_s, water_c, water_c)
def test_swapped_legs_turn_the_sign_and_nothing_else(flow: float, cold_c: float, hot_c: float) -> None:
    there = water_heat_kw(flow, cold_c, hot_c, 20.0)
    assert there == pytest.approx(-water_heat_kw(flow, hot_c, cold_c, 20.0), abs=1e-6)
    assert (there >= 0) == (hot_c >= cold_c) or flow < 1e-300 or abs(hot_c - cold_c) < 1e-9


@given(flow_l_s, water_c)
def test_no_difference_is_no_load(flow: float, at_c: float) -> None:
    assert cooling_load_kw(flow, at_c, at_c) == 0


@given(st.floats(-15.0, 65.0), st.sampled_from(REFRIGERANTS), st.booleans())
def test_saturation_there_and_back(at_c: float, refrigerant: str, bubble: bool) -> None:
    kpaa = saturation_pressure_kpaa(at_c, refrigerant, bubble=bubble)
    assert saturation_c(kpaa, refrigerant, bubble=bubble) == pytest.approx(at_c, abs=0.005)


@given(st.floats(-15.0, 60.0), st.floats(0.1, 5.0), st.sampled_from(REFRIGERANTS))
def test_more_heat_is_more_pressure(at_c: float, more_k: float, refrigerant: str) -> None:
    assert saturation_pressure_kpaa(at_c + more_k, refrigerant) > saturation_pressure_kpaa(at_c, refrigerant)


@given(st.floats(-30.0, 55.0), st.floats(0.0, 100.0), st.floats(75.0, 105.0))
def test_wet_bulb_is_never_above_dry_bulb(dry_c: float, humidity: float, kpa: float) -> None:
    assert wet_bulb_c(dry_c, humidity, kpa) <= dry_c


@given(st.floats(8.0, 50.0), st.floats(30.0, 90.0), st.floats(1.0, 10.0), st.floats(75.0, 105.0))
def test_more_humidity_is_a_higher_wet_bulb(dry_c: float, humidity: float, more: float, kpa: float) -> None:
    assert wet_bulb_c(dry_c, humidity + more, kpa) > wet_bulb_c(dry_c, humidity, kpa)


@given(st.floats(-500.0, 10_900.0))
def test_pressure_falls_with_altitude(altitude_m: float) -> None:
    assert standard_pressure_kpaa(altitude_m + 100.0) < standard_pressure_kpaa(altitude_m)


@given(st.floats(0.0, 500.0), st.floats(0.1, 300.0), st.floats(0.1, 200.0))
def test_four_times_the_drop_is_twice_the_flow(drop_kpa: float, design_l_s: float, design_kpa: float) -> None:
    once, again = (barrel_flow_l_s(each, design_l_s, design_kpa) for each in (drop_kpa, 4 * drop_kpa))
    assert again == pytest.approx(2 * once)


@given(st.floats(0.1, 500.0), water_c, st.floats(0.1, 500.0), water_c)
def test_a_mixture_lies_between_what_was_mixed(first: float, first_c: float, second: float, second_c: float) -> None:
    mixed = mixed_temperature_c(first, first_c, second, second_c)
    assert min(first_c, second_c) - 1e-9 <= mixed <= max(first_c, second_c) + 1e-9
