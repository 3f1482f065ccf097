"""Flows of one loop: pump curves against resistances, check valves, either-way paths, standing columns."""

from __future__ import annotations

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from plantview.simulator.hydraulics import LAMINAR_K, Path, solve


def path(start: int, end: int, k: float, head: float = 0.0, *, one_way: bool = False) -> Path:
    made = Path(start, end, one_way)
    made.k, made.head_kpa = k, head
    return made


def residuals(paths: list[Path], nodes: int) -> list[float]:
    sums = [0.0] * nodes
    for item in paths:
        sums[item.start] -= item.flow
        sums[item.end] += item.flow
    return sums


def test_a_pump_on_a_ring_runs_where_its_curve_meets_the_system_curve() -> None:
    pump, system = path(0, 1, 0.002, 300.0, one_way=True), path(1, 0, 0.010)
    pressures = [0.0, 0.0]
    assert solve([pump, system], pressures, 0, 200.0)
    # 300 = (0.002 + 0.010) q^2 + 2 * LAMINAR_K * q, by the quadratic formula
    a, b = 0.012, 2 * LAMINAR_K
    expected = (-b + math.sqrt(b * b + 4 * a * 300)) / (2 * a)
    assert pump.flow == pytest.approx(expected, rel=1e-6)
    assert pressures[0] == pytest.approx(200.0)
    assert pressures[1] - pressures[0] == pytest.approx(0.010 * expected**2 + LAMINAR_K * expected, rel=1e-6)


def test_a_stopped_pump_passes_nothing_backwards() -> None:
    running, stopped, system = path(0, 1, 0.002, 300.0, one_way=True), path(0, 1, 0.002, one_way=True), path(1, 0, 0.01)
    assert solve([running, stopped, system], [0.0, 0.0], 0, 0.0)
    assert stopped.flow == 0.0
    assert running.flow == pytest.approx(system.flow, rel=0, abs=1e-6)


def test_a_decoupler_carries_surplus_one_way_and_deficit_the_other() -> None:
    primary, decoupler, secondary = (
        path(0, 1, 0.01, 100.0, one_way=True),
        path(1, 0, 1e-4),
        path(1, 0, 0.01, 0.0, one_way=True),
    )
    pressures = [0.0, 0.0]
    secondary.head_kpa = 20.0
    assert solve([primary, decoupler, secondary], pressures, 0, 0.0)
    assert decoupler.flow > 0
    secondary.head_kpa = 300.0
    assert solve([primary, decoupler, secondary], pressures, 0, 0.0)
    assert decoupler.flow < 0


def test_a_standing_column_that_the_pump_cannot_lift_stops_the_water() -> None:
    pump, tower = path(0, 1, 0.002, 40.0, one_way=True), path(1, 0, 0.01, -45.0, one_way=True)
    assert solve([pump, tower], [0.0, 0.0], 0, 0.0)
    assert pump.flow == pytest.approx(0.0, abs=1e-6)
    assert tower.flow == pytest.approx(0.0, abs=1e-6)


def test_all_valves_shut_is_a_state_and_not_a_failure() -> None:
    pump, system = path(0, 1, 0.002, 300.0, one_way=True), path(1, 0, 0.01)
    system.shut = True
    assert solve([pump, system], [0.0, 0.0], 0, 0.0)
    assert pump.flow == pytest.approx(0.0, abs=1e-6)
    assert system.flow == 0.0


@given(
    heads=st.lists(st.floats(0, 400), min_size=3, max_size=3),
    openings=st.lists(st.floats(1e-4, 10), min_size=6, max_size=6),
    shut=st.lists(st.booleans(), min_size=6, max_size=6),
)
def test_mass_is_conserved_at_every_header_whatever_runs_or_is_shut(
    heads: list[float], openings: list[float], shut: list[bool]
) -> None:
    pumps = [path(0, 1, 0.003, head, one_way=True) for head in heads]
    barrels = [path(1, 2, k) for k in openings[:3]]
    coils = [path(2, 0, k) for k in openings[3:]]
    for item, closed in zip(barrels + coils, shut, strict=True):
        item.shut = closed
    ring = [*pumps, *barrels, *coils, path(2, 0, 1e-3)]
    assert solve(ring, [0.0] * 3, 0, 200.0)
    assert residuals(ring, 3) == pytest.approx([0.0] * 3, abs=1e-6)
    assert all(pump.flow >= 0 for pump in pumps)
