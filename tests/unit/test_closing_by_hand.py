"""Every screen closes by hand: what is displayed agrees with what is displayed, within rounding."""

from __future__ import annotations

import itertools
from collections.abc import Mapping
from dataclasses import replace
from pathlib import Path

import pytest

from plantview.config import load_plant
from plantview.model.plant import Plant
from plantview.simulator.plant import SimulatedPlant
from tests.frames import Change
from tests.simulation.plant_days import MORNING_MS
from tests.unit.closing import gap, sums
from tests.unit.derive_frames import LARKFIELD, ORCHARD
from tests.unit.shown_frames import FRAMES, Screen, screens

BASES = {"larkfield": LARKFIELD, "orchard": ORCHARD}
CHECKOUT = Path(__file__).parents[2]
PLANTS = ("larkfield", "orchard", "millrace")


def running(plant: Plant) -> Mapping[str, Change]:
    """Return what a plant's devices report on a summer morning, as a base for random frames."""
    reported = SimulatedPlant(plant, MORNING_MS, coarse=True).reported()
    states = {name: point.states for name, point in plant.points.items()}
    return {name: states[name][int(value)] if states[name] else value for name, value in reported.items()}


@pytest.fixture(params=list(itertools.product(PLANTS, ("ip", "si"))), ids="-".join)
def shown_by(request: pytest.FixtureRequest) -> tuple[Plant, str, list[Screen]]:
    name, system = request.param
    plant = load_plant(CHECKOUT / "config" / name)
    return plant, system, screens(plant, BASES[name] if name in BASES else running(plant), system)


def test_every_sum_on_the_screen_comes_out_by_hand(shown_by: tuple[Plant, str, list[Screen]]) -> None:
    plant, system, shown = shown_by
    assert len(shown) == FRAMES
    wanted = list(sums(plant, system))
    assert len(wanted) >= 13
    for screen in shown:
        for each in wanted:
            difference, allowed = gap(screen, each)
            assert difference <= allowed, f"{each.name}: {difference} > {allowed}"


def test_the_pencil_finds_a_number_that_does_not_belong(larkfield: Plant) -> None:
    """The load of another minute, 3 % more, is noticed nearly always; so is a temperature shown 0.3 °F off."""
    shown = screens(larkfield, LARKFIELD, "ip")
    for name, factor, wrong in (("CH-1.cooling_load_tons", 1.03, 0.0), ("CH-1.chw_delta_t", 1.0, 0.3 / 1.8)):
        found = 0
        for screen in shown:
            reading = screen.readings[name]
            other = replace(reading, value=(reading.value or 0.0) * factor + wrong)
            changed = Screen({**screen.readings, name: other}, screen.units, screen.system)
            found += any(gap(changed, each)[0] > gap(changed, each)[1] for each in sums(larkfield, "ip"))
        assert found > 0.9 * len(shown), name
