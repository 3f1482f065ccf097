"""An economiser's derived values on numbers that a technician can redo on paper."""

from __future__ import annotations

import math
from collections.abc import Mapping

import pytest

from plantview.config import load_plant
from plantview.derive import Derivation
from plantview.model.plant import Plant
from plantview.model.quality import Quality
from plantview.model.reading import Reading
from plantview.simulator.plant import SimulatedPlant
from tests.conftest import CHECKOUT
from tests.frames import Change, frame_of
from tests.simulation.plant_days import MORNING_MS

WORKING: dict[str, Change] = {
    "HX-1.warm_in_temp": 14.0, "HX-1.warm_out_temp": 8.0, "HX-1.cool_in_temp": 6.0, "HX-1.cool_out_temp": 10.0,
    "V-HX1.position": 100.0, "V-HXC.position": 100.0,
}  # fmt: skip
NAMES = ("warm_delta_t", "cool_delta_t", "approach", "log_mean_difference", "effectiveness")


@pytest.fixture(scope="module")
def plant() -> Plant:
    return load_plant(CHECKOUT / "config" / "millrace")


@pytest.fixture(scope="module")
def base(plant: Plant) -> Mapping[str, Change]:
    """Return what the plant's devices report on a summer morning: its pumps run, its economiser stands."""
    reported = SimulatedPlant(plant, MORNING_MS, coarse=True).reported()
    states = {name: point.states for name, point in plant.points.items()}
    return {name: states[name][int(value)] if states[name] else value for name, value in reported.items()}


def found(plant: Plant, base: Mapping[str, Change], **changed: Change) -> dict[str, Reading]:
    changes = {**base, **WORKING, **{f"HX-1.{name}" if "_temp" in name else f"{name.replace('_', '-')}.position": value
                                     for name, value in changed.items()}}  # fmt: skip
    readings = Derivation(plant).run(frame_of(plant, changes)).readings
    return {name: readings[f"HX-1.{name}"] for name in NAMES}


def test_an_economiser_by_its_four_temperatures(plant: Plant, base: Mapping[str, Change]) -> None:
    """On paper: 6 K and 4 K, 2 K of approach, (4 - 2) / ln 2, and 6 of the 8 K that there are."""
    told = found(plant, base)
    expected = (6.0, 4.0, 2.0, 2.0 / math.log(2.0), 75.0)
    assert [told[name].value for name in NAMES] == pytest.approx(expected)
    assert all(told[name].quality is Quality.GOOD for name in NAMES)


def test_the_side_with_less_water_decides_the_effectiveness(plant: Plant, base: Mapping[str, Change]) -> None:
    """The cool side warms by 7 of 8 K where it carries less than the warm one; approach is 5 K then."""
    told = found(plant, base, warm_out_temp=11.0, cool_out_temp=13.0)
    assert told["effectiveness"].value == pytest.approx(87.5)
    assert told["approach"].value == pytest.approx(5.0)


def test_every_value_carries_the_uncertainty_of_its_sensors(plant: Plant, base: Mapping[str, Change]) -> None:
    """Sensors of 0.1 K: a difference is ±0.14 K; of the effectiveness each moves as much as its slope says."""
    told = found(plant, base)
    assert told["warm_delta_t"].u95 == pytest.approx(0.1 * math.sqrt(2), rel=0.01)
    slopes = (1 / 8 - 6 / 64, -1 / 8, 6 / 64)
    assert told["effectiveness"].u95 == pytest.approx(100 * 0.1 * math.hypot(*slopes), rel=0.02)


@pytest.mark.parametrize("valve", ["V_HX1", "V_HXC"])
def test_with_a_shut_valve_nothing_is_said(plant: Plant, base: Mapping[str, Change], valve: str) -> None:
    told = found(plant, base, **{valve: 0.0})
    assert {reading.reason for reading in told.values()} == {
        f"no water through HX-1: {valve.replace('_', '-')} is shut"
    }


def test_below_the_floor_of_a_difference_a_ratio_is_unknown(plant: Plant, base: Mapping[str, Change]) -> None:
    told = found(plant, base, warm_out_temp=13.7)
    assert told["effectiveness"].reason == "warm side ΔT is below 0.5 K"
    assert told["warm_delta_t"].value == pytest.approx(0.3)
