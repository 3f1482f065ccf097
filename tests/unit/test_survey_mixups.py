"""Units that contradict their values are called out; ordinary values are left in peace."""

from __future__ import annotations

import pytest

from plantview.surveying.mixups import Valued, balances, between, mixup


def point(
    measurement: str,
    unit: str,
    value: float,
    *,
    equipment: str = "CH-1",
    kind: str = "chiller",
    quantity: str = "temperature",
) -> Valued:
    return Valued(f"{equipment}.{measurement}", equipment, kind, measurement, quantity, unit, value)


@pytest.mark.parametrize(
    ("measurement", "unit", "value", "said"),
    [
        ("chws_temp", "degF", 6.8, "degC"),
        ("chws_temp", "degC", 44.1, "degF"),
        ("cws_temp", "degF", 29.4, "degC"),
        ("cws_temp", "degC", 85.0, "degF"),
    ],
)
def test_a_water_temperature_in_the_other_scale_is_called_out(
    measurement: str, unit: str, value: float, said: str
) -> None:
    assert f"probably {said}" in mixup(point(measurement, unit, value))


@pytest.mark.parametrize(
    ("measurement", "unit", "value"),
    [
        ("chws_temp", "degF", 44.0),
        ("chws_temp", "degC", 6.7),
        ("cws_temp", "degF", 85.0),
        ("cws_temp", "degC", 29.4),
        ("chwr_temp", "degC", 18.0),
    ],
)
def test_an_ordinary_water_temperature_is_left_in_peace(measurement: str, unit: str, value: float) -> None:
    assert mixup(point(measurement, unit, value)) == ""


def test_watts_that_say_kilowatts_are_called_out() -> None:
    assert "probably W" in mixup(point("power", "kW", 215_000.0, quantity="power"))
    assert mixup(point("power", "kW", 215.0, quantity="power")) == ""


def test_a_fraction_that_says_percent_is_called_out() -> None:
    assert "fraction" in mixup(point("current_pct", "%", 0.64, quantity="percent"))
    assert mixup(point("current_pct", "%", 0.0, quantity="percent")) == ""


@pytest.mark.parametrize(
    # 1 L/s = 15.85 US gpm; 1 m³/h = 4.40 US gpm: exact from 231 in³ a gallon and 25.4 mm an inch
    ("large", "small", "unit", "quantity"),
    [
        (1441.0, 90.9, "gpm", "flow"),
        (1441.0, 327.3, "gpm", "flow"),
        (215_000.0, 214.0, "kW", "power"),
        (12.2, 84.1 / 15.9, "psi", "pressure_difference"),
    ],
)
def test_two_equal_machines_that_differ_by_a_factor_between_units(
    large: float, small: float, unit: str, quantity: str
) -> None:
    two = [point("x", unit, large, quantity=quantity), point("x", unit, small, equipment="CH-2", quantity=quantity)]
    assert list(between(two)) == ["CH-1.x"]


def test_two_equal_machines_at_part_load_are_left_in_peace() -> None:
    two = [
        point("chw_flow", "gpm", 1441.0, quantity="flow"),
        point("chw_flow", "gpm", 900.0, equipment="CH-2", quantity="flow"),
    ]
    assert between(two) == {}


def test_a_heat_balance_closes_or_says_by_how_much_it_does_not() -> None:
    """90.9 L/s × 4.19 × 6.1 K = 2323 kW; + 350 kW = 2673 kW; 114 L/s × 4.19 × 5.6 K = 2675 kW (worked by hand)."""
    values = {
        "chw_flow": ("L/s", 90.9, "flow"), "chws_temp": ("degC", 6.67, "temperature"), "chwr_temp": ("degC", 12.77, "temperature"),
        "cw_flow": ("L/s", 114.0, "flow"), "cws_temp": ("degC", 29.44, "temperature"), "cwr_temp": ("degC", 35.04, "temperature"),
        "power": ("kW", 350.0, "power"),
    }  # fmt: skip
    points = [point(name, unit, value, quantity=quantity) for name, (unit, value, quantity) in values.items()]
    assert balances(points) == {}
    gallons = [point("chw_flow", "L/s", 1441.0, quantity="flow"), *points[1:]]
    assert "unit is wrong" in balances(gallons)["CH-1"]
