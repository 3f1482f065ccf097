"""Variable primary flow with an economiser ahead of the chillers: the third example plant over a day in October."""

from __future__ import annotations

import pytest

from plantview.config import load_plant
from plantview.simulator.exchanger import counterflow, counterflow_units
from plantview.simulator.plant import SimulatedPlant
from tests.conftest import CHECKOUT
from tests.simulation.plant_days import MIDNIGHT_MS, TON_KW, run_hours

pytestmark = pytest.mark.timeout(120)

OCTOBER_NIGHT_MS = MIDNIGHT_MS - 2 * 3_600_000


@pytest.fixture(scope="module")
def rows() -> list[dict[str, float]]:
    simulated = SimulatedPlant(load_plant(CHECKOUT / "config" / "millrace"), OCTOBER_NIGHT_MS)
    found = []
    for _ in range(24 * 12):
        run_hours(simulated, 1 / 12)
        machines, controller = simulated.machines, simulated.controller
        exchanger = machines.exchangers["HX-1"]
        running = [chiller for chiller in machines.chillers.values() if chiller.panel.mode == "RUN"]
        steady = [item for item in running if item.panel.in_mode_s > 1_800 and item.part_load > 0.25]
        found.append(
            {
                "wet_bulb_c": machines.air.wet_bulb_c,
                "exchanger_kw": exchanger.heat_kw,
                "approach_k": exchanger.warm.out_c - exchanger.cool.in_c,
                "alone": float(controller.economiser.alone),
                "running": len(running),
                "chillers_kw": sum(chiller.load_kw for chiller in running),
                "supply_error_k": machines.circuits["chw"].by_name["chw-supply"].temp_c - controller.setpoint_c,
                "least_lift_k": min((item.condenser.out_c - item.evaporator.out_c for item in steady), default=20.0),
                "kw_per_ton": max((item.power_kw / item.load_kw * TON_KW for item in steady), default=0.6),
                "least_flow_share": min(
                    (item.evaporator.flow / item.rating.least_chw_flow for item in running), default=1.0
                ),
                "faults": float(sum(chiller.panel.mode == "FAULT" for chiller in machines.chillers.values())),
            }
        )
    assert [str(balance) for balance in simulated.truth.open_balances()] == []
    return found


def test_towers_alone_carry_the_night_both_share_the_morning_and_chillers_alone_the_afternoon(
    rows: list[dict[str, float]],
) -> None:
    alone = [row for row in rows if row["alone"] and row["running"] == 0]
    shared = [row for row in rows if row["exchanger_kw"] > 100 and row["chillers_kw"] > 100]
    chillers = [row for row in rows if row["exchanger_kw"] < 1 and row["chillers_kw"] > 100]
    assert min(len(alone), len(shared), len(chillers)) >= 12, "at least an hour of each"
    assert max(row["wet_bulb_c"] for row in alone) < min(row["wet_bulb_c"] for row in chillers)


def test_the_exchanger_never_warms_the_return_and_keeps_a_believable_approach(rows: list[dict[str, float]]) -> None:
    assert min(row["exchanger_kw"] for row in rows) > -1.0
    in_use = sorted(row["approach_k"] for row in rows if row["exchanger_kw"] > 100)
    assert 0.1 < in_use[len(in_use) // 2] < 1.5, "design 1.5 K at full load, less at part load"
    assert in_use[-1] < 4.0, "only while it takes over"


def test_no_changeover_trips_a_machine_nor_starves_it_of_water_or_lift(rows: list[dict[str, float]]) -> None:
    assert sum(row["faults"] for row in rows) == 0
    assert min(row["least_flow_share"] for row in rows) > 0.9
    assert min(row["least_lift_k"] for row in rows) > 0.5 * 14.0
    assert max(row["supply_error_k"] for row in rows) < 2.0


def test_the_machines_stay_within_believable_efficiency(rows: list[dict[str, float]]) -> None:
    assert max(row["kw_per_ton"] for row in rows) < 1.2


@pytest.mark.parametrize("ratio", [0.2, 0.7, 1.0])
@pytest.mark.parametrize("effectiveness", [0.3, 0.6, 0.85])
def test_effectiveness_and_transfer_units_are_inverses(effectiveness: float, ratio: float) -> None:
    assert counterflow(counterflow_units(effectiveness, ratio), ratio) == pytest.approx(effectiveness, rel=1e-9)


def test_a_counterflow_exchanger_has_the_effectiveness_of_the_published_chart() -> None:
    """Kays and London, Compact Heat Exchangers, counterflow table: NTU 2, Cr 0.5 -> 0.775; NTU 3, Cr 1 -> 0.750, from memory."""
    assert counterflow(2.0, 0.5) == pytest.approx(0.775, abs=0.001)
    assert counterflow(3.0, 1.0) == pytest.approx(0.750, abs=0.001)
