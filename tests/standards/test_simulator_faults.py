"""Refrigerant-side and water-side faults of a chiller move its indicators the way that laboratories published.

Oracle: ASHRAE RP-1043 data set (Comstock and Braun 1999, 90-ton R-134a centrifugal with flooded
barrels), residuals of severity 1 and operating points of severity 4, from memory; text directions
of Comstock and Braun 1999 and Reddy 2007 (RP-1275), from memory. Implementation: the simulated plant.
Compared are two plants at the same moment, one with the fault; up and down mean more than the scatter
that the laboratory saw, turned into kelvin (0.1 K for temperature differences, 0.15 K for approaches).
"""

from __future__ import annotations

from collections.abc import Callable
from typing import Final

import pytest

from plantview.model.plant import Plant
from plantview.simulator.chiller import Chiller
from plantview.simulator.faults import parse_fault
from plantview.simulator.plant import SimulatedPlant
from tests.simulation.plant_days import MORNING_MS, run_hours

pytestmark = pytest.mark.timeout(120)

INDICATORS: Final[dict[str, tuple[Callable[[Chiller], float], float]]] = {
    "condenser water dT": (lambda m: m.condenser.out_c - m.condenser.in_c, 0.1),
    "evaporator water dT": (lambda m: m.evaporator.in_c - m.evaporator.out_c, 0.1),
    "condenser flow": (lambda m: m.condenser.flow, 1.5),
    "evaporator flow": (lambda m: m.evaporator.flow, 1.0),
    "condenser approach": (lambda m: m.cond_sat_c - m.condenser.out_c, 0.15),
    "evaporator approach": (lambda m: m.evaporator.out_c - m.evap_sat_c, 0.04),
    "head": (lambda m: m.pressures_kpa()[1], 5.0),
    "suction": (lambda m: m.pressures_kpa()[0], 2.0),
    "subcooling": (lambda m: m.cond_sat_c - m.liquid_c, 0.15),
    "superheat": (lambda m: m.suction_c - m.evap_sat_c, 0.3),
    "discharge": (lambda m: m.discharge_c, 0.2),
    "liquid": (lambda m: m.liquid_c, 0.5),
    "oil": (lambda m: m.oil_c, 0.4),
    "power": (lambda m: m.power_kw / m.load_kw, 0.0010),
}
"""Indicator -> how it is taken, and the change that counts as one."""

HAND: Final = "drive-in-hand:CHWP-1:80"
"""The laboratory's pumps ran at one speed; a pressure loop would make up for a plugged strainer."""
UP, DOWN, SAME = 1, -1, 0
DIRECTIONS: Final = {
    # severity 4 and textbook directions
    "low-condenser-flow:CH-1:0.3": {
        "condenser water dT": UP,
        "condenser flow": DOWN,
        "head": UP,
        "power": UP,
        "evaporator approach": SAME,
        "superheat": SAME,
    },
    "low-evaporator-flow:CH-1:0.25": {
        "evaporator water dT": UP,
        "evaporator flow": DOWN,
        "subcooling": SAME,
        "oil": SAME,
    },
    "refrigerant-leak:CH-1:0.4": {
        "subcooling": DOWN,
        "condenser approach": DOWN,
        "power": DOWN,
        "head": DOWN,
        "oil": SAME,
        "condenser water dT": SAME,
    },
    "refrigerant-leak:CH-1:0.55": {
        "subcooling": DOWN,
        "suction": DOWN,
        "evaporator approach": UP,
        "superheat": UP,
        "condenser approach": DOWN,
    },
    "overcharge:CH-1:0.2": {
        "subcooling": UP,
        "head": UP,
        "condenser approach": UP,
        "evaporator approach": UP,
        "discharge": UP,
        "condenser flow": SAME,
    },
    "fouled-condenser:CH-1:0.4": {
        "condenser approach": UP,
        "head": UP,
        "power": UP,
        "discharge": UP,
        "condenser water dT": SAME,
        "condenser flow": SAME,
        "evaporator approach": SAME,
        "evaporator flow": SAME,
    },
    "condenser-tubes-plugged:CH-1:0.45": {
        "condenser approach": UP,
        "head": UP,
        "power": UP,
        "condenser flow": DOWN,
        "evaporator flow": SAME,
        "evaporator approach": SAME,
    },
    "fouled-evaporator:CH-1:0.4": {"evaporator approach": UP, "suction": DOWN, "power": UP, "condenser approach": SAME},
    "non-condensables:CH-1:1": {
        "condenser approach": UP,
        "head": UP,
        "subcooling": UP,
        "discharge": UP,
        "power": UP,
        "liquid": SAME,
        "evaporator approach": SAME,
        "evaporator flow": SAME,
        "condenser flow": SAME,
    },
    "excess-oil:CH-1:0.5": {
        "oil": UP,
        "evaporator approach": UP,
        "condenser flow": SAME,
        "evaporator flow": SAME,
        "subcooling": SAME,
    },
}


@pytest.fixture(scope="module")
def healthy(orchard: Plant) -> dict[str, float]:
    return indicators(orchard, HAND)


def indicators(plant: Plant, *faults: str) -> dict[str, float]:
    """Return every indicator after the plant has settled."""
    simulated = SimulatedPlant(plant, MORNING_MS)
    for fault in faults:
        simulated.inject(parse_fault(fault))
    run_hours(simulated, 1.0)
    chiller = simulated.machines.chillers["CH-1"]
    assert chiller.panel.mode == "RUN"
    return {name: take(chiller) for name, (take, _) in INDICATORS.items()}


@pytest.mark.parametrize("fault", DIRECTIONS)
def test_a_fault_moves_its_indicators_in_the_published_direction(
    fault: str, orchard: Plant, healthy: dict[str, float]
) -> None:
    sick = indicators(orchard, HAND, fault)
    moved = {name: sick[name] - healthy[name] for name in INDICATORS}
    found = {
        name: UP if moved[name] > INDICATORS[name][1] else DOWN if moved[name] < -INDICATORS[name][1] else SAME
        for name in DIRECTIONS[fault]
    }
    assert found == DIRECTIONS[fault], {name: round(moved[name], 3) for name in DIRECTIONS[fault]}


def test_one_percent_of_foreign_gas_has_about_the_published_size(orchard: Plant, healthy: dict[str, float]) -> None:
    """RP-1043 severity 1, 1 % non-condensables: +4.35 °F approach, +4.3 °F false subcooling, +5 % power."""
    sick = indicators(orchard, HAND, "non-condensables:CH-1:1")
    assert (sick["condenser approach"] - healthy["condenser approach"]) * 1.8 == pytest.approx(4.35, abs=0.6)
    assert (sick["subcooling"] - healthy["subcooling"]) * 1.8 == pytest.approx(4.3, abs=0.6)
    assert 1.02 < sick["power"] / healthy["power"] < 1.09


def test_a_forty_percent_leak_looks_like_an_improvement_in_the_power_alone(
    orchard: Plant, healthy: dict[str, float]
) -> None:
    """RP-1043 severity 4: -3.1 % power at 60 % load, condenser approach and subcooling about halved."""
    sick = indicators(orchard, HAND, "refrigerant-leak:CH-1:0.4")
    assert 0.93 < sick["power"] / healthy["power"] < 0.995
    assert 0.3 < sick["condenser approach"] / healthy["condenser approach"] < 0.65
    assert 0.35 < sick["subcooling"] / healthy["subcooling"] < 0.65


def test_plugging_nearly_half_the_tubes_costs_about_the_published_power(
    orchard: Plant, healthy: dict[str, float]
) -> None:
    """RP-1043 severity 4, 45 % plugged: +4.9 % power at 60 % load, approach times 1.7, 4 % less condenser flow."""
    sick = indicators(orchard, HAND, "condenser-tubes-plugged:CH-1:0.45")
    assert 1.01 < sick["power"] / healthy["power"] < 1.08
    assert 1.3 < sick["condenser approach"] / healthy["condenser approach"] < 2.2
    assert 0.93 < sick["condenser flow"] / healthy["condenser flow"] < 0.985
