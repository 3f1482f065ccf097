"""What happens to instruments, water and motors of the simulated plant by themselves."""

from __future__ import annotations

import random
import statistics
from itertools import pairwise

import pytest

from plantview.model.plant import Plant
from plantview.simulator.aircondenser import LEAST_HEAD_C, AirCondenser
from plantview.simulator.basin import Basin
from plantview.simulator.build import build
from plantview.simulator.cell import Cell
from plantview.simulator.diverting import Diverting
from plantview.simulator.fansequence import ONE_BY_ONE, TOGETHER, FanSequence
from plantview.simulator.panel import FAULT, HOT_WINDINGS, RUN, Panel, Safeties
from plantview.simulator.pump import Fan
from plantview.simulator.run import Run
from plantview.simulator.sensors import YEAR_S, Sensor
from plantview.simulator.tower import Cooling
from plantview.simulator.valve import Valve
from plantview.simulator.volume import Header, Volume
from plantview.simulator.water import enthalpy_kj_kg, temp_c


def test_water_under_way_comes_out_when_its_mass_has_passed_either_way_and_no_heat_is_lost() -> None:
    run = Run(100.0, enthalpy_kj_kg(10.0), layers=20)
    out_c = [temp_c(run.carry(5.0, enthalpy_kj_kg(20.0), 1.0)) for _ in range(30)]
    assert out_c[:19] == pytest.approx([10.0] * 19, abs=1e-3)
    assert out_c[21:] == pytest.approx([20.0] * 9, abs=1e-3)
    run.backward = True
    back_c = [temp_c(run.carry(5.0, enthalpy_kj_kg(6.0), 1.0)) for _ in range(30)]
    assert back_c[:19] == pytest.approx([20.0] * 19, abs=1e-3)
    assert back_c[21:] == pytest.approx([6.0] * 9, abs=1e-3)
    assert run.stored_kj == pytest.approx(100.0 * enthalpy_kj_kg(6.0))


def test_a_three_way_valve_mixes_what_passes_the_coil_with_what_passes_it_by() -> None:
    water, valve = Volume(10.0, enthalpy_kj_kg(15.0)), Valve(0.1, 60.0, equal_percentage=False)
    diverting = Diverting(water, valve)
    valve.position_pct = 25.0
    mixed = diverting.carry(8.0, enthalpy_kj_kg(7.0), 1.0)
    assert water.flow == pytest.approx(2.0)
    assert temp_c(mixed) == pytest.approx(7.0 + 0.25 * 8.0, abs=0.01)
    assert valve.resistance() == 0.1
    assert not valve.shut


def test_an_instrument_drifts_over_a_year_by_what_its_kind_does(larkfield: Plant) -> None:
    point = larkfield.points["CH-1.chws_temp"]
    drifts = []
    for seed in range(30):
        sensor = Sensor(point, lambda: 7.0, random.Random(seed))
        first = statistics.fmean(sensor.read(60.0) for _ in range(40))
        sensor.read(YEAR_S)
        drifts.append(statistics.fmean(sensor.read(60.0) for _ in range(40)) - first)
    assert 0.01 < statistics.pstdev(drifts) < 0.1
    assert max(map(abs, drifts)) < 0.2  # 0.03 K are 0.05 degF; one digit is 0.1 degF


def test_standing_basin_water_cools_until_its_heater_holds_it_and_freezes_without() -> None:
    def after_cold_night(*, broken: bool) -> Basin:
        basin = Basin(Header("basin", 20_000.0, enthalpy_kj_kg(6.0)), 0.5, 100.0)
        basin.heater_broken = broken
        for _ in range(3 * 24 * 60):
            basin.step(0.0, 0.0, -15.0, 60.0)
        return basin

    held, frozen = after_cold_night(broken=False), after_cold_night(broken=True)
    assert 4.0 < held.water.temp_c < 6.0
    assert not held.freezing
    assert frozen.freezing


def test_a_motor_too_warm_trips_its_machine_by_a_code_of_its_own() -> None:
    panel = Panel()
    panel.run_at_once(3_600.0)
    for _ in range(9):
        panel.step(1.0, True, True, Safeties(7.0, hot_windings=True))
    assert panel.mode == RUN
    panel.step(1.0, True, True, Safeties(7.0, hot_windings=True))
    panel.step(1.0, True, True, Safeties(7.0, hot_windings=True))
    assert (panel.mode, panel.fault_code) == (FAULT, HOT_WINDINGS)


def test_windings_follow_the_square_of_the_current(larkfield: Plant) -> None:
    chiller = build(larkfield, 1).chillers["CH-1"]
    chiller.panel.run_at_once(3_600.0)
    temps = []
    for share in (0.5, 1.0):
        chiller.power_kw, chiller.winding_c = share * chiller.rating.power_kw, 30.0
        for _ in range(100):
            chiller._warm_windings(60.0)
        temps.append(chiller.winding_c - chiller.suction_c)
    assert temps[1] / temps[0] == pytest.approx(4.0, rel=0.05)
    assert 40 < temps[1] < 90


def test_the_fans_of_an_air_cooled_machine_hold_its_head_in_the_cold() -> None:
    condenser = AirCondenser(1_000.0)
    condenser.heat_kw = 400.0
    for _ in range(300):
        condenser.blow(-10.0, LEAST_HEAD_C - 2.0, 2.0)
    assert condenser.flow < 0.2 * condenser.design_flow
    assert condenser.out_c == pytest.approx(condenser.in_c + 400.0 / condenser.flow)


def cells(count: int, *, variable: bool) -> dict[str, Cell]:
    return {
        f"CT-{number}": Cell(
            Cooling(100.0, 35.0, 29.0, 25.0),
            Valve(0.1, 60.0, equal_percentage=False),
            [Fan(20.0, 20.0 if variable else 100.0, 2.0, variable, 100.0 * number)],
            50.0,
        )
        for number in range(1, count + 1)
    }


def turning(sequence: FanSequence, built: dict[str, Cell], demand_pct: float, seconds: int = 2_000) -> list[bool]:
    for _ in range(seconds):
        sequence.step(demand_pct, 1.0, list(built), 1.0)
    return [sequence.wanted(cell.fans[0])[0] for cell in built.values()]


def test_constant_speed_fans_are_staged_one_by_one_and_the_one_with_the_fewest_hours_leads() -> None:
    built = cells(4, variable=False)
    sequence = FanSequence(built)
    assert sequence.sequence == ONE_BY_ONE
    assert turning(sequence, built, 30.0) == [True, True, False, False]
    assert turning(sequence, built, 90.0) == [True] * 4
    assert turning(sequence, built, 10.0) == [True, False, False, False]


def test_staged_fans_wait_between_two_starts() -> None:
    built = cells(4, variable=False)
    sequence = FanSequence(built)
    counts = []
    for _ in range(400):
        sequence.step(100.0, 1.0, list(built), 1.0)
        counts.append(sum(sequence.wanted(cell.fans[0])[0] for cell in built.values()))
    starts = [second for second, (a, b) in enumerate(pairwise(counts)) if b > a]
    assert all(b - a >= 179 for a, b in pairwise(starts))


def test_variable_speed_fans_run_together_at_one_speed_unless_told_otherwise() -> None:
    built = cells(3, variable=True)
    sequence = FanSequence(built)
    assert sequence.sequence == TOGETHER
    assert turning(sequence, built, 55.0) == [True] * 3
    assert {sequence.wanted(cell.fans[0])[1] for cell in built.values()} == {55.0}
    staged = FanSequence(built, ONE_BY_ONE)
    assert turning(staged, built, 50.0) == [True, True, False]
    assert [round(staged.wanted(cell.fans[0])[1]) for cell in built.values()][:2] == [100, 50]
