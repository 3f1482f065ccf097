"""BACnet's unit words as ours. Oracle for the words: bacpypes3's enumeration; for the factors: pint, behind ``units``."""

from __future__ import annotations

import pytest
from bacpypes3.basetypes import EngineeringUnits

from plantview.surveying.unit_words import OUR_UNIT, PRESSURES, our_unit, quantities_of
from plantview.units import unit

# ANSI/ASHRAE 135, BACnetEngineeringUnits, numbers from memory
NUMBERS = {62: "degC", 64: "degF", 48: "kW", 89: "gpm", 87: "L/s", 54: "kPa", 56: "psi", 98: "%", 19: "kWh", 52: "ton"}


def test_every_word_is_one_of_the_enumeration() -> None:
    assert [word for word in OUR_UNIT if word not in EngineeringUnits._enum_map] == []


def test_every_unit_is_one_of_ours_and_stands_for_some_quantity() -> None:
    assert [name for name in OUR_UNIT.values() if not quantities_of(name)] == []


@pytest.mark.parametrize(("number", "ours"), NUMBERS.items())
def test_the_number_of_a_unit_leads_to_ours(number: int, ours: str) -> None:
    assert our_unit(str(EngineeringUnits(number))) == ours


def test_a_bare_pressure_may_be_gauge_absolute_or_a_difference() -> None:
    assert quantities_of("psi") == PRESSURES
    assert quantities_of("kPa") == PRESSURES


def test_an_unknown_word_has_no_unit_of_ours() -> None:
    assert our_unit("furlongs") == ""
    assert our_unit("no-units") == ""


def test_factors_are_those_that_everybody_knows() -> None:
    assert unit(our_unit("us-gallons-per-minute"), "flow").factor == pytest.approx(0.0630901964, rel=1e-8)
    assert unit(our_unit("tons-refrigeration"), "heat_flow").factor == pytest.approx(3.5168528, rel=1e-7)
