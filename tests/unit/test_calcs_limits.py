"""A calculation answers up to each of its limits, and beyond says which input is outside of what, in figures."""

from __future__ import annotations

import math
import re
from collections.abc import Callable

import numpy as np
import pytest

from plantview.calcs import air, approach, efficiency, exchange, flow, heat_balance, totals, tower_model, tower_water
from plantview.errors import OutsideSourceRange

# calc; inputs at its limit; the same just beyond; what is said then
LIMITS: list[tuple[Callable[..., float], tuple[float, ...], tuple[float, ...], str]] = [
    (air.standard_pressure_kpaa, (-500.0,), (-501.0,), "altitude, m, -501 is outside -500 to 11000"),
    (air.standard_pressure_kpaa, (11_000.0,), (11_001.0,), "altitude, m, 11001 is outside -500 to 11000"),
    (air.humidity_ratio_of_wet_bulb, (-40.0, -40.0, 99.0), (-40.1, -40.1, 99.0), "dry bulb, °C, -40.1 is outside -40 to 60"),
    (air.humidity_ratio_of_wet_bulb, (60.0, 60.0, 99.0), (60.0, 60.1, 99.0), "wet bulb, °C, 60.1 is outside -40 to 60"),
    (approach.lift_target_k, (0.0, 0.0, 28.0), (-0.01, 0.0, 28.0), "part load -0.01 is outside 0 to 1.5"),
    (approach.lift_target_k, (1.5, 28.0, 28.0), (1.51, 28.0, 28.0), "part load 1.51 is outside 0 to 1.5"),
    (approach.lift_target_k, (0.5, 0.0, 28.0), (0.5, -0.01, 28.0), "least lift, K, -0.01 is outside 0 to 28"),
    (approach.lift_target_k, (0.5, 28.0, 28.0), (0.5, 28.1, 28.0), "least lift, K, 28.1 is outside 0 to 28"),
    (efficiency.load_pct, (1.0, 1e-9), (1.0, 9e-10), "design capacity, kW, 9e-10 is outside 1e-09 to 1e+09"),
    (efficiency.load_pct, (1.0, 1e9), (1.0, 1.1e9), "design capacity, kW, 1.1e+09 is outside 1e-09 to 1e+09"),
    (flow.barrel_flow_l_s, (0.0, 9.0, 1e-6), (0.0, 9.0, 9e-7), "design drop, kPa, 9e-07 is outside 1e-06 to 1e+06"),
    (flow.barrel_flow_l_s, (1.0, 9.0, 1e6), (1.0, 9.0, 1.001e6), "design drop, kPa, 1.001e+06 is outside 1e-06 to 1e+06"),
    (flow.barrel_flow_l_s, (0.0, 9.0, 60.0), (-0.6, 9.0, 60.0), "pressure drop ratio -0.01 is outside 0 to inf"),
    (flow.valve_flow_l_s, (500.0, 30.0, 0.1), (500.0, 30.0, 0.099), "specific gravity 0.099 is outside 0.1 to 10"),
    (flow.valve_flow_l_s, (500.0, 30.0, 10.0), (500.0, 30.0, 10.01), "specific gravity 10.01 is outside 0.1 to 10"),
    (flow.valve_cv_gpm, (60.0, 30.0, 0.1), (60.0, 30.0, 0.099), "specific gravity 0.099 is outside 0.1 to 10"),
    (flow.valve_cv_gpm, (60.0, 30.0, 10.0), (60.0, 30.0, 10.01), "specific gravity 10.01 is outside 0.1 to 10"),
    (flow.valve_cv_gpm, (60.0, 1e-9), (60.0, 9e-10), "pressure drop, kPa, 9e-10 is outside 1e-09 to 1e+09"),
    (flow.valve_cv_gpm, (60.0, 1e9), (60.0, 1.1e9), "pressure drop, kPa, 1.1e+09 is outside 1e-09 to 1e+09"),
    (heat_balance.heat_balance_tolerance_pct, (0.1, 5.0), (0.099, 5.0), "load, %, 0.099 is outside 0.1 to 150"),
    (heat_balance.heat_balance_tolerance_pct, (150.0, 5.0), (151.0, 5.0), "load, %, 151 is outside 0.1 to 150"),
    (heat_balance.heat_balance_tolerance_pct, (50.0, 0.1), (50.0, 0.09), "design difference, K, 0.09 is outside 0.1 to 30"),
    (heat_balance.heat_balance_tolerance_pct, (50.0, 30.0), (50.0, 30.1), "design difference, K, 30.1 is outside 0.1 to 30"),
    (tower_model.merkel_number, (35.0, 29.0, 25.0, 1e-9), (35.0, 29.0, 25.0, 9e-10),
     "water to air ratio 9e-10 is outside 1e-09 to inf"),
    (tower_model.variable_speed_approach_k, (1.1, 20.0, 1.0, 1.0), (1.09, 20.0, 1.0, 1.0), "range, K, 1.09 is outside 1.1 to 22.2"),
    (tower_water.evaporation_l_s, (9.0, 5.0, 30.0, 24.0, 1e-9, 99.0), (9.0, 5.0, 30.0, 24.0, 9e-10, 99.0),
     "water to air ratio 9e-10 is outside 1e-09 to inf"),
    (tower_water.evaporation_l_s, (9.0, 0.0, 30.0, 24.0, 1.2, 99.0), (9.0, -0.01, 30.0, 24.0, 1.2, 99.0),
     "range, K, -0.01 is outside 0 to 40"),
    (tower_water.blow_down_l_s, (9.0, 1.0 + 1e-9), (9.0, 1.0), "cycles of concentration 1 is outside 1 to 1000"),
    (tower_water.make_up_l_s, (9.0, 1.0 + 1e-9), (9.0, 1.0), "cycles of concentration 1 is outside 1 to 1000"),
    (exchange.log_mean_difference_k, (1e-9, 4.0), (9e-10, 4.0),
     "temperature difference at one end, K, 9e-10 is outside 1e-09 to inf"),
    (exchange.log_mean_difference_k, (4.0, 1e-9), (4.0, 9e-10),
     "temperature difference at the other end, K, 9e-10 is outside 1e-09 to inf"),
    (exchange.exchanger_effectiveness_pct, (14.0, 8.0, 6.0, 1e-9, 60.0), (14.0, 8.0, 6.0, 9e-10, 60.0),
     "flow of the warm side, L/s, 9e-10 is outside 1e-09 to inf"),
    (exchange.exchanger_effectiveness_pct, (14.0, 8.0, 6.0, 60.0, 1e-9), (14.0, 8.0, 6.0, 60.0, 9e-10),
     "flow of the cool side, L/s, 9e-10 is outside 1e-09 to inf"),
    (exchange.counterflow_effectiveness_pct, (1.0, 1e-9, 6.0), (1.0, 9e-10, 6.0),
     "capacity rate of the warm side, kW/K, 9e-10 is outside 1e-09 to inf"),
    (exchange.counterflow_effectiveness_pct, (1.0, 6.0, 1e-9), (1.0, 6.0, 9e-10),
     "capacity rate of the cool side, kW/K, 9e-10 is outside 1e-09 to inf"),
    (exchange.counterflow_effectiveness_pct, (0.0, 6.0, 7.0), (-0.01, 6.0, 7.0), "UA, kW/K, -0.01 is outside 0 to inf"),
]  # fmt: skip


@pytest.mark.parametrize(("calc", "at", "beyond", "said"), LIMITS)
def test_up_to_its_limit_there_is_an_answer_and_beyond_the_limit_is_named(
    calc: Callable[..., float], at: tuple[float, ...], beyond: tuple[float, ...], said: str
) -> None:
    assert math.isfinite(calc(*at))
    with pytest.raises(OutsideSourceRange, match=f"^{re.escape(said)}$"):
        calc(*beyond)


@pytest.mark.parametrize(("size", "said"), [(9e-10, "9e-10"), (1.1e15, "1.1e+15")])
def test_a_register_that_holds_nothing_or_more_than_any_does_is_refused(size: float, said: str) -> None:
    for within in (1e-9, 1e15):
        assert totals.register_energy_kwh([0.0, 1e-10], within, 1.0) == 1e-10
    words = f"size of the register, kWh, {said} is outside 1e-09 to 1e+15"
    with pytest.raises(OutsideSourceRange, match=f"^{re.escape(words)}$"):
        totals.register_energy_kwh([0.0, 1e-10], size, 1.0)


def test_in_a_row_air_with_its_wet_bulb_above_dry_bulb_is_blanked() -> None:
    dry_c, wet_c = np.array([20.0, 20.0]), np.array([20.1, 15.0])
    found = air.humidity_ratio_of_wet_bulb(dry_c, wet_c, np.array([99.0, 99.0]))
    assert math.isnan(found[0])
    assert found[1] == air.humidity_ratio_of_wet_bulb(20.0, 15.0, 99.0)
