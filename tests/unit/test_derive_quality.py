"""For any mixture of good, doubtful, old and missing readings: no result is better than what it rests on."""

from __future__ import annotations

from dataclasses import replace

from hypothesis import given, settings
from hypothesis import strategies as st

from plantview.config import load_plant
from plantview.derive import Derivation
from plantview.model.quality import Quality
from plantview.model.reading import Frame, Reading
from tests.conftest import CHECKOUT
from tests.frames import NOW_MS, frame_of
from tests.unit.derive_frames import LARKFIELD

PLANT = load_plant(CHECKOUT / "config" / "larkfield")
DERIVATION = Derivation(PLANT)
BASE = frame_of(PLANT, LARKFIELD).readings
PROVEN_OFF = {f"CH-{n}.{name}" for n in (1, 2, 3) for name in ("cooling_load", "cooling_load_rule", "heat_rejection")}
"""These rest on the status alone where it proves the machine off: 0 kW, whatever its sensors say."""
TOTALS = {"PLANT.chillers_power", "PLANT.pumps_power", "PLANT.towers_power", *(f"CT-{n}.fan_power" for n in (1, 2, 3))}
"""These may leave out a machine that is proven off and cannot be read, and are then doubtful."""


@st.composite
def frames(draw: st.DrawFn) -> Frame:
    """Return the running plant with some readings changed in value, quality or age, or missing."""
    readings = dict(BASE)
    for name in draw(st.lists(st.sampled_from(sorted(BASE)), max_size=12, unique=True)):
        quality = draw(st.sampled_from(Quality))
        value = draw(st.one_of(st.just(BASE[name].value), st.floats(-100.0, 2_000.0)))
        at_ms = NOW_MS - draw(st.integers(0, 100_000))
        changed = Reading(None if quality is Quality.BAD else value, quality, quality.name if quality else "", at_ms)
        readings[name] = changed
        if draw(st.booleans()) and quality is Quality.BAD:
            del readings[name]
    return Frame(1, NOW_MS, readings)


def quality_of(name: str, frame: Frame, found: dict[str, Reading]) -> Quality:
    """Return the quality of an input; one that may not be used counts as BAD."""
    reading = found.get(name) or frame.reading(name)
    return reading.quality if reading.usable else Quality.BAD


@settings(max_examples=150, deadline=None)
@given(frames())
def test_no_result_is_better_than_its_worst_input_and_only_bad_has_no_value(frame: Frame) -> None:
    found = dict(DERIVATION.run(frame).readings)
    assert set(found) == set(DERIVATION.signals)
    for name, reading in found.items():
        assert (reading.value is None) == (reading.quality is Quality.BAD), name
        assert bool(reading.reason) == (reading.quality is not Quality.GOOD), name
        assert reading.quality is not Quality.STALE, name
        worst = max(quality_of(each, frame, found) for each in DERIVATION.signals[name].inputs)
        if name in PROVEN_OFF and reading.value == 0:
            worst = frame.reading(name.partition(".")[0] + ".status").quality
        if name in TOTALS and worst is Quality.BAD and reading.quality is not Quality.BAD:
            worst = Quality.UNCERTAIN
        assert reading.quality >= worst, f"{name}: {reading} from {DERIVATION.signals[name].inputs}"


@settings(max_examples=100, deadline=None)
@given(frames())
def test_a_result_is_never_younger_than_an_input_that_it_names(frame: Frame) -> None:
    found = dict(DERIVATION.run(frame).readings)
    for name, reading in found.items():
        if reading.value is None or name in PROVEN_OFF | TOTALS:
            continue
        oldest = min((found.get(each) or frame.reading(each)).at_ms for each in DERIVATION.signals[name].inputs)
        assert reading.at_ms <= oldest, name


@settings(max_examples=100, deadline=None)
@given(frames())
def test_plant_efficiency_equals_the_quotient_of_its_inputs_whenever_it_is_given(frame: Frame) -> None:
    found = DERIVATION.run(frame).readings
    efficiency, power, load = (found[f"PLANT.{name}"] for name in ("kw_per_ton", "power_input", "cooling_load_tons"))
    if efficiency.value is not None:
        assert power.value is not None
        assert load.value is not None
        assert abs(efficiency.value - power.value / load.value) <= 1e-9 * abs(efficiency.value)


def test_the_property_can_see_a_result_that_is_too_good() -> None:
    doubtful = {**BASE, "CH-1.power": replace(BASE["CH-1.power"], quality=Quality.UNCERTAIN, reason="in hand")}
    found = DERIVATION.run(Frame(1, NOW_MS, doubtful)).readings
    assert found["CH-1.kw_per_ton"].quality is Quality.UNCERTAIN
    assert found["CH-1.cooling_load"].quality is Quality.GOOD
