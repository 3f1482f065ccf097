"""Pump, valve, barrel, coil, volume and control loop of the simulated plant, each alone."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from plantview.simulator.barrel import Tubes
from plantview.simulator.coil import Coil
from plantview.simulator.pi import PiLoop
from plantview.simulator.pump import Fan, Pump
from plantview.simulator.valve import Valve
from plantview.simulator.volume import Volume
from plantview.simulator.water import enthalpy_kj_kg


def pump_at(speed_pct: float, flow: float) -> Pump:
    pump = Pump(100.0, 250.0, 0.8, variable=False, run_hours=0)
    pump.speed_pct = speed_pct
    pump.work(flow, 1.0)
    return pump


def test_a_pump_meets_its_design_point_with_the_hydraulic_power_of_its_head_and_flow() -> None:
    pump = pump_at(100.0, 100.0)
    assert pump.head_kpa() - pump.curve_k * 100.0**2 == pytest.approx(250.0)
    # 100 L/s * 250 kPa = 25 kW of hydraulic power; at 80 % efficiency 31.25 kW at the shaft
    assert pump.heat_kw == pytest.approx(31.25)
    assert pump.power_kw == pytest.approx(31.25 / 0.94)


def test_affinity_laws_hold_along_the_same_system_curve() -> None:
    whole, slow = pump_at(100.0, 100.0), pump_at(80.0, 80.0)
    head = slow.head_kpa() - slow.curve_k * 80.0**2
    assert head / 250.0 == pytest.approx(0.64)
    assert slow.heat_kw / whole.heat_kw == pytest.approx(0.512)


def test_a_dead_headed_pump_still_draws_power_and_a_stopped_one_none() -> None:
    assert 0.2 < pump_at(100.0, 0.0).power_kw / pump_at(100.0, 100.0).power_kw < 0.5
    assert pump_at(0.0, 0.0).power_kw == 0.0


def test_a_tripped_drive_coasts_down_though_it_is_commanded() -> None:
    pump = pump_at(100.0, 100.0)
    pump.command, pump.tripped = True, True
    for _ in range(60):
        pump.turn(1.0)
    assert not pump.running


def test_fan_power_follows_the_cube_of_speed_over_small_losses() -> None:
    fan = Fan(20.0, 20.0, 2.0, variable=True, run_hours=0)
    powers = []
    for speed in (50.0, 100.0):
        fan.speed_pct = speed
        fan.work()
        powers.append(fan.power_kw)
    assert powers[1] == pytest.approx(20.0)
    assert 0.125 < powers[0] / powers[1] < 0.145


def test_a_valve_takes_its_stroke_time_and_shuts() -> None:
    valve = Valve(0.001, 60.0, equal_percentage=True)
    valve.command_pct = 100.0
    valve.move(30.0)
    assert valve.position_pct == 50.0
    valve.move(60.0)
    assert valve.resistance() == pytest.approx(0.001)
    valve.command_pct = 0.0
    valve.move(60.0)
    assert valve.shut


def test_the_more_open_a_valve_the_less_its_resistance() -> None:
    for curved in (True, False):
        valve = Valve(0.001, 60.0, equal_percentage=curved)
        resistances = []
        for position in range(1, 101):
            valve.position_pct = float(position)
            resistances.append(valve.resistance())
        assert resistances == sorted(resistances, reverse=True)


def test_tubes_give_their_design_approach_and_fouling_raises_it() -> None:
    tubes = Tubes(2_667.0, 475.0, 1.3)
    assert tubes.approach_k(2_667.0, 475.0) == pytest.approx(1.3)
    assert tubes.approach_k(1_333.5, 475.0) == pytest.approx(0.65)
    assert tubes.excess_k(2_667.0, 475.0) == 0.0
    tubes.fouling = 0.45
    assert tubes.approach_k(2_667.0, 475.0) > 3.0
    assert tubes.excess_k(2_667.0, 475.0) == pytest.approx(tubes.approach_k(2_667.0, 475.0) - 1.3)


def test_a_coil_meets_its_design_point() -> None:
    coil = Coil(1_600.0, 62.0, 6.67, (26.5, 12.8), Volume(62.0, enthalpy_kj_kg(12.0)))
    coil.load_kw = 1_600.0
    for _ in range(3_000):
        coil.water.carry(62.0, enthalpy_kj_kg(6.67), 1.0)
        coil.step(1.0)
    assert coil.water.heat_kw == pytest.approx(1_600.0, rel=0.01)
    assert coil.leaving_air_c == pytest.approx(12.8, abs=0.15)
    assert coil.water.out_c == pytest.approx(12.8, abs=0.15)


@given(flows=st.lists(st.floats(0, 100), min_size=1, max_size=50), heat=st.floats(-3_000, 3_000))
def test_a_volume_conserves_energy_whatever_passes(flows: list[float], heat: float) -> None:
    volume = Volume(90.0, enthalpy_kj_kg(10.0))
    volume.heat_kw = heat
    began = volume.kg * volume.enthalpy
    for flow in flows:
        volume.carry(flow, 30.0, 1.0)
    stored = volume.kg * volume.enthalpy - began
    assert volume.water_kj + stored == pytest.approx(heat * len(flows), rel=1e-9, abs=1e-5)


def test_a_control_loop_does_not_wind_up_beyond_its_limits() -> None:
    loop = PiLoop(1.0, 10.0, (0.0, 100.0), 50.0)
    for _ in range(1_000):
        loop.step(50.0, 1.0)
    assert loop.output == 100.0
    loop.step(-1.0, 1.0)
    assert loop.output < 60.0
