"""Every screen closes by hand: what is displayed agrees with what is displayed, within rounding."""

from __future__ import annotations

import itertools
from dataclasses import replace
from pathlib import Path

import pytest

from plantview.config import load_plant
from plantview.derive import Derivation
from plantview.model.plant import Plant
from plantview.model.signal import signal_of
from plantview.web.headline import headlines
from plantview.web.plain.choice import cards
from plantview.web.plain.words import in_words
from plantview.web.snapshot import line
from tests.unit.closing import gap, sums
from tests.unit.derive_frames import LARKFIELD, ORCHARD
from tests.unit.shown_frames import FRAMES, Screen, running, screens

BASES = {"larkfield": LARKFIELD, "orchard": ORCHARD}
CHECKOUT = Path(__file__).parents[2]
PLANTS = ("larkfield", "orchard", "millrace")


@pytest.fixture(scope="module", params=list(itertools.product(PLANTS, ("ip", "si"))), ids="-".join)
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


def test_phone_and_wall_show_the_same_digits_as_the_page(shown_by: tuple[Plant, str, list[Screen]]) -> None:
    """What closes on one closes on all: the phone's text is written by the server, the wall's from the live lines."""
    plant, system, shown = shown_by
    signals = {**{name: signal_of(point) for name, point in plant.points.items()}, **Derivation(plant).signals}
    on_phone = {name for card in cards(plant, signals) for _, name in card.lines}
    on_wall = {
        name
        for row in headlines(plant, signals)
        for name in (row["signal"], *(one["signal"] for one in row["companions"]))
    }
    names = [name for name in (on_phone | on_wall) & set(shown[0].readings) if not signals[name].states]
    assert {"PLANT.kw_per_ton", "PLANT.cooling_load"} <= set(names)
    compared = 0
    for screen in shown:
        for name in names:
            reading, signal = screen.readings[name], signals[name]
            if reading.value is None:
                assert in_words(signal, reading, system).number == "?"
                continue
            page, _ = screen.number(name)
            told = line(signal, system)
            assert float(in_words(signal, reading, system).number) == page, name
            assert float(f"{reading.value * told['f'] + told['o']:.{told['d']}f}") == page, name
            compared += 1
    assert compared > 5 * FRAMES


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
