"""One formula for a number, an array and a series: the same answer, the same kind, NaN stays NaN."""

from __future__ import annotations

import importlib
import inspect
import math
import pkgutil
from collections.abc import Callable
from typing import Any

import numpy as np
import pandas as pd
import pytest

from plantview import calcs
from plantview.calcs import (
    air,
    approach,
    chiller_model,
    efficiency,
    exchange,
    flow,
    heat_balance,
    load,
    pump,
    refrigerant,
    tower,
    tower_model,
    tower_water,
    water,
)
from plantview.errors import OutsideSourceRange

# a calc and one set of plausible inputs
CASES: list[tuple[Callable[..., Any], tuple[float, ...]]] = [
    (water.density_kg_m3, (7.0,)),
    (water.heat_capacity_kj_kg_k, (7.0,)),
    (water.enthalpy_kj_kg, (7.0,)),
    (load.water_heat_kw, (90.0, 6.7, 12.8, 6.7)),
    (load.cooling_load_kw, (90.0, 6.7, 12.8)),
    (load.heat_rejection_kw, (114.0, 29.4, 35.0)),
    (load.rule_of_24_tons, (1_000.0, 10.0)),
    (load.tons, (2_317.0,)),
    (efficiency.kw_per_ton, (350.0, 2_317.0)),
    (efficiency.cop, (2_317.0, 350.0)),
    (efficiency.cop_of_kw_per_ton, (0.6,)),
    (efficiency.eer_of_kw_per_ton, (0.6,)),
    (efficiency.iplv_kw_per_ton, (0.6, 0.49, 0.38, 0.42)),
    (efficiency.iplv_cop, (6.0, 7.0, 9.0, 8.0)),
    (efficiency.load_pct, (1_000.0, 2_000.0)),
    (heat_balance.heat_balance_pct, (1_759.0, 320.0, 2_110.0)),
    (heat_balance.heat_balance_tolerance_pct, (50.0, 5.6)),
    (approach.water_delta_t_k, (12.0, 7.0)),
    (approach.condenser_approach_k, (36.5, 35.0)),
    (approach.evaporator_approach_k, (7.0, 5.5)),
    (approach.lift_k, (36.5, 5.5)),
    (approach.water_lift_k, (35.0, 7.0)),
    (approach.subcooling_k, (36.5, 33.0)),
    (approach.superheat_k, (8.5, 5.5)),
    (refrigerant.absolute_kpaa, (300.0, 100.0)),
    (air.standard_pressure_kpaa, (180.0,)),
    (air.wet_bulb_c, (30.0, 50.0, 99.0)),
    (tower.tower_range_k, (35.0, 29.5)),
    (tower.tower_approach_k, (29.5, 25.5)),
    (tower.tower_effectiveness_pct, (35.0, 29.5, 25.5)),
    (pump.hydraulic_power_kw, (100.0, 250.0)),
    (pump.wire_to_water_pct, (100.0, 250.0, 40.0)),
    (pump.affinity_flow_l_s, (100.0, 0.8)),
    (pump.affinity_head_kpa, (200.0, 0.8)),
    (pump.affinity_power_kw, (40.0, 0.8)),
    (flow.decoupler_flow_l_s, (180.0, 150.0)),
    (flow.mixed_temperature_c, (30.0, 6.0, 10.0, 14.0)),
    (lambda kpa: refrigerant.saturation_c(kpa, "R-134a"), (400.0,)),
    (lambda at_c: refrigerant.saturation_pressure_kpaa(at_c, "R-134a"), (10.0,)),
    (lambda kpa: flow.valve_flow_l_s(500.0, kpa, 1.05), (27.6,)),
    (air.saturation_vapour_pressure_kpa, (25.0,)),
    (air.saturated_humidity_ratio, (25.0, 99.0)),
    (air.humidity_ratio_of_wet_bulb, (30.0, 22.0, 99.0)),
    (air.saturated_enthalpy_kj_kg, (25.0, 99.0)),
    (air.moist_air_enthalpy_kj_kg, (30.0, 0.01)),
    (heat_balance.open_drive_power_kw, (100.0, 90.0)),
    (pump.npsh_available_m, (99.0, 1.5, 1.2, 29.4)),
    (pump.pump_heat_kw, (30.0, 90.0, 80.0)),
    (approach.lift_target_k, (0.5, 11.0, 28.0)),
    (exchange.log_mean_difference_k, (2.0, 12.0)),
    (exchange.log_mean_difference_k, (7.0, 7.0)),
    (exchange.conductance_kw_k, (2_000.0, 4.0)),
    (exchange.exchanger_effectiveness_pct, (14.0, 8.0, 6.0, 50.0, 60.0)),
    (exchange.counterflow_effectiveness_pct, (30.0, 10.0, 12.0)),
    (exchange.counterflow_effectiveness_pct, (30.0, 10.0, 10.0)),
    (exchange.coil_effectiveness_pct, (26.0, 13.0, 6.7)),
    (tower_model.variable_speed_approach_k, (5.56, 25.0, 1.0, 0.8)),
    (tower_model.merkel_number, (35.0, 29.4, 25.6, 1.2)),
    (tower_water.evaporation_rule_l_s, (100.0, 5.0)),
    (tower_water.evaporation_l_s, (100.0, 5.0, 30.0, 24.0, 1.2, 99.0)),
    (tower_water.cycles_of_concentration, (1_600.0, 400.0)),
    (tower_water.blow_down_l_s, (30.0, 4.0)),
    (tower_water.make_up_l_s, (30.0, 4.0)),
    (chiller_model.gordon_ng_power_kw, (14.0, 27.0, 250.0, 0.079, 110.8, 0.0796)),
    (lambda kpa: flow.barrel_flow_l_s(kpa, 90.9, 60.0), (55.0,)),
    (lambda kpa: flow.valve_flow_l_s(500.0, kpa), (27.6,)),
    (flow.valve_cv_gpm, (31.5, 27.6)),
    (lambda kpa: refrigerant.saturation_at_altitude_c(kpa, 1_609.0, "R-134a"), (300.0,)),
]
ONE_NUMBER = {
    efficiency.load_pct: 1, heat_balance.heat_balance_tolerance_pct: 1, approach.lift_target_k: 2,
    chiller_model.gordon_ng_power_kw: 3,
}  # fmt: skip
"""How many of the last inputs stay one number beside a row."""


def row_inputs(calc: Callable[..., Any], inputs: tuple[float, ...], make: Callable[[list[float]], Any]) -> list[Any]:
    fixed = ONE_NUMBER.get(calc, 0)
    rows = [make([value, math.nan, value]) for value in inputs[: len(inputs) - fixed]]
    return [*rows, *inputs[len(inputs) - fixed :]]


@pytest.mark.parametrize(("calc", "inputs"), CASES)
def test_a_number_in_gives_a_number_out(calc: Callable[..., Any], inputs: tuple[float, ...]) -> None:
    assert type(calc(*inputs)) is float


@pytest.mark.parametrize(("calc", "inputs"), CASES)
def test_an_array_gives_the_same_numbers_and_keeps_its_gap(calc: Callable[..., Any], inputs: tuple[float, ...]) -> None:
    found = calc(*row_inputs(calc, inputs, np.array))
    assert isinstance(found, np.ndarray)
    assert found[[0, 2]] == pytest.approx([calc(*inputs)] * 2, rel=1e-12)
    assert math.isnan(found[1])


@pytest.mark.parametrize(("calc", "inputs"), CASES)
def test_a_series_gives_a_series_on_the_same_index(calc: Callable[..., Any], inputs: tuple[float, ...]) -> None:
    index = pd.date_range("2026-07-01", periods=3, freq="min", tz="UTC")
    found = calc(*row_inputs(calc, inputs, lambda values: pd.Series(values, index=index)))
    assert isinstance(found, pd.Series)
    assert list(found.index) == list(index)
    assert found.iloc[[0, 2]].tolist() == pytest.approx([calc(*inputs)] * 2, rel=1e-12)
    assert math.isnan(found.iloc[1])


@pytest.mark.parametrize(("calc", "inputs"), CASES)
def test_a_missing_number_stays_missing(calc: Callable[..., Any], inputs: tuple[float, ...]) -> None:
    assert math.isnan(calc(math.nan, *inputs[1:]))


ZERO_DIVISORS: list[tuple[Callable[..., Any], tuple[float, ...]]] = [
    (efficiency.kw_per_ton, (350.0, 0.0)),
    (efficiency.cop, (2_317.0, 0.0)),
    (efficiency.cop_of_kw_per_ton, (0.0,)),
    (efficiency.eer_of_kw_per_ton, (0.0,)),
    (heat_balance.heat_balance_pct, (100.0, 10.0, 0.0)),
    (tower.tower_effectiveness_pct, (25.0, 25.0, 25.0)),
    (pump.wire_to_water_pct, (100.0, 250.0, 0.0)),
    (flow.mixed_temperature_c, (0.0, 6.0, 0.0, 14.0)),
    (exchange.conductance_kw_k, (100.0, 0.0)),
    (exchange.log_mean_difference_k, (0.0, 4.0)),
    (exchange.log_mean_difference_k, (4.0, 0.0)),
    (exchange.exchanger_effectiveness_pct, (14.0, 8.0, 14.0, 50.0, 60.0)),
    (exchange.coil_effectiveness_pct, (26.0, 13.0, 26.0)),
    (exchange.exchanger_effectiveness_pct, (14.0, 8.0, 6.0, 0.0, 60.0)),
    (exchange.counterflow_effectiveness_pct, (-1.0, 1.0, 2.0)),
    (tower_model.variable_speed_approach_k, (5.0, 30.0, 1.0, 1.0)),
    (tower_model.merkel_number, (35.0, 25.0, 25.6, 1.2)),
    (tower_water.cycles_of_concentration, (100.0, 0.0)),
    (tower_water.make_up_l_s, (30.0, 1.0)),
    (tower_water.blow_down_l_s, (30.0, 0.5)),
    (lambda kpa: flow.barrel_flow_l_s(kpa, 90.9, 60.0), (-1.0,)),
    (lambda kpa: flow.valve_flow_l_s(500.0, kpa), (-1.0,)),
]


@pytest.mark.parametrize(("calc", "inputs"), ZERO_DIVISORS)
def test_where_there_is_no_answer_a_number_is_refused_and_an_element_blanked(
    calc: Callable[..., Any], inputs: tuple[float, ...]
) -> None:
    with pytest.raises(OutsideSourceRange):
        calc(*inputs)
    assert np.isnan(calc(*(np.array([value]) for value in inputs))).all()
    assert calc(*(pd.Series([value]) for value in inputs)).isna().all()


ROWS_TO_ONE = {
    "average_kw_per_ton", "energy_kwh", "register_energy_kwh", "run_hours_h", "starts", "weighted_average",
    "blended_temperature_c", "chi2_limit", "combined", "contributions", "expanded", "pair_correlation", "reconcile",
    "reconcile_rows", "freezing_c",
}  # fmt: skip
"""What sums a row up, takes a name, or has its own tests of shape in test_calcs_totals, test_uncertainty and test_reconcile."""


def test_no_calc_is_forgotten_here() -> None:
    tried = {name for calc, _ in CASES for name in (calc.__name__, *calc.__code__.co_names)}
    modules = (
        importlib.import_module(f"{calcs.__name__}.{each.name}") for each in pkgutil.iter_modules(calcs.__path__)
    )
    public = {
        name
        for module in modules
        for name, member in inspect.getmembers(module, inspect.isfunction)
        if member.__module__ == module.__name__ and not name.startswith("_") and "._" not in module.__name__
    }
    assert public - tried == ROWS_TO_ONE
