"""Conversion factors against printed definitions; the source stands beside each row."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from plantview import units

# quantity, unit, reported, canonical, tolerance. NIST SP 811 (2008) appendix B unless said otherwise [from memory]
ROWS = [
    ("temperature", "degF", 44.0, 6.6667, 5e-5),
    ("temperature", "degF", -40.0, -40.0, 1e-9),
    ("temperature_difference", "delta_degF", 10.0, 5.5556, 5e-5),
    ("flow", "gpm", 1.0, 0.06309020, 5e-9),
    ("flow", "m3/h", 3.6, 1.0, 1e-12),
    ("pressure_gauge", "psig", 1.0, 6.894757, 5e-7),
    ("pressure_absolute", "inHg", 29.92126, 101.325, 5e-4),
    ("pressure_difference", "ftH2O", 1.0, 2.989067, 5e-7),
    ("heat_flow", "ton", 1.0, 3.516853, 5e-7),
    ("heat_flow", "Btu/h", 12_000.0, 3.516853, 5e-7),
    ("power", "hp", 1.0, 0.7456999, 5e-8),
    ("energy", "ton_h", 1.0, 3.516853, 5e-7),
    ("percent", "fraction", 0.5, 50.0, 1e-12),
    ("length", "in", 1.0, 0.0254, 1e-12),
]


@pytest.mark.parametrize(("quantity", "name", "reported", "canonical", "tolerance"), ROWS)
def test_factors_agree_with_their_definitions(
    quantity: str, name: str, reported: float, canonical: float, tolerance: float
) -> None:
    assert units.unit(name, quantity).to_canonical(reported) == pytest.approx(canonical, rel=0, abs=tolerance)


@pytest.mark.parametrize("quantity", units.QUANTITIES)
def test_every_quantity_can_be_shown_in_both_systems(quantity: str) -> None:
    for system in ("si", "ip"):
        unit, digits = units.shown(quantity, system)
        assert unit.quantity == quantity
        assert 0 <= digits <= 3


@given(
    st.sampled_from([(name, quantity) for quantity in units.QUANTITIES for name in units.units_of(quantity)]),
    st.floats(-1e6, 1e6),
)
def test_there_and_back_is_the_same_number(what: tuple[str, str], value: float) -> None:
    unit = units.unit(*what)
    assert unit.from_canonical(unit.to_canonical(value)) == pytest.approx(value, rel=1e-9, abs=1e-6)


def test_the_offset_follows_the_quantity_not_the_unit_code() -> None:
    assert units.unit("degF", "temperature").offset != 0
    with pytest.raises(units.UnknownUnit, match="no unit of temperature_difference"):
        units.unit("degF", "temperature_difference")


def test_a_near_miss_is_suggested() -> None:
    with pytest.raises(units.UnknownUnit, match="did you mean degF"):
        units.unit("degf", "temperature")


@pytest.mark.parametrize("text", ["", "twelve kW", "kW", "12", "12 kilo"])
def test_a_text_that_is_no_number_with_a_unit_is_refused(text: str) -> None:
    with pytest.raises(units.UnknownUnit):
        units.parse(text, "power")


@pytest.mark.parametrize(
    ("number", "digits", "text"),
    [
        (84.5, 0, "85"),
        (85.5, 0, "86"),
        (-2.5, 0, "-3"),
        (0.125, 2, "0.13"),
        (1.005, 2, "1.00"),
        (-0.04, 1, "-0.0"),
        (float("nan"), 1, "nan"),
    ],
)
def test_a_number_is_rounded_as_a_browser_rounds_it(number: float, digits: int, text: str) -> None:
    """ECMA-262, Number.prototype.toFixed: of two texts equally near the larger one (of the magnitude); from memory."""
    assert units.fixed(number, digits) == text
