"""The water a tower loses.

Implementation: plantview.calcs.tower_water. Oracles: the same balance with psychrolib's moist
air in inch-pound units; salt balance worked by hand; rule of the trade (common practice, no source).
"""

from __future__ import annotations

import psychrolib
import pytest

from plantview.calcs.tower_water import (
    blow_down_l_s,
    cycles_of_concentration,
    evaporation_l_s,
    evaporation_rule_l_s,
    make_up_l_s,
)
from plantview.errors import OutsideSourceRange

# dry bulb °F, wet bulb °F, evaporation of 3000 gpm over 10 °F at L/G 1.2, gpm
AIR = [(95, 78, 31.1), (80, 70, 26.2), (60, 50, 23.1), (40, 35, 17.7)]


def c(fahrenheit: float) -> float:
    return (fahrenheit - 32) / 1.8


@pytest.mark.parametrize(("dry_f", "wet_f", "gpm"), AIR)
def test_evaporation_agrees_with_known_values(dry_f: float, wet_f: float, gpm: float) -> None:
    found = evaporation_l_s(3_000.0, 10 / 1.8, c(dry_f), c(wet_f), 1.2, 101.325)
    assert found == pytest.approx(gpm, rel=0, abs=0.06)


@pytest.mark.parametrize(("dry_f", "wet_f"), [(95, 78), (60, 50), (100, 65)])
def test_evaporation_agrees_with_psychrolib(dry_f: float, wet_f: float) -> None:
    psychrolib.SetUnitSystem(psychrolib.IP)
    brought = psychrolib.GetHumRatioFromTWetBulb(dry_f, wet_f, 14.696)
    heat = psychrolib.GetMoistAirEnthalpy(dry_f, brought) + 0.9 * 12.0
    low, high = 20.0, 140.0
    for _ in range(60):
        middle = (low + high) / 2
        low, high = (middle, high) if psychrolib.GetSatAirEnthalpy(middle, 14.696) < heat else (low, middle)
    oracle = 100.0 / 0.9 * (psychrolib.GetSatHumRatio(high, 14.696) - brought)
    psychrolib.SetUnitSystem(psychrolib.SI)
    assert evaporation_l_s(100.0, 12 / 1.8, c(dry_f), c(wet_f), 0.9, 101.325) == pytest.approx(oracle, rel=1e-3)


def test_the_rule_of_the_trade_gives_30_gpm() -> None:
    """Common practice, no source: 3000 gpm over 10 °F evaporate 30 gpm."""
    assert evaporation_rule_l_s(3_000.0, 10 / 1.8) == pytest.approx(30.0, abs=1e-9)


# evaporation, cycles, blow-down, make-up: salt balance by hand
WATER = [(30.0, 3.0, 15.0, 45.0), (30.0, 4.0, 10.0, 40.0), (30.0, 6.0, 6.0, 36.0)]


@pytest.mark.parametrize(("evaporation", "cycles", "blow_down", "make_up"), WATER)
def test_blow_down_and_make_up(evaporation: float, cycles: float, blow_down: float, make_up: float) -> None:
    assert blow_down_l_s(evaporation, cycles) == pytest.approx(blow_down)
    assert blow_down_l_s(evaporation, cycles, 0.6) == pytest.approx(blow_down - 0.6)
    assert make_up_l_s(evaporation, cycles) == pytest.approx(make_up)


def test_conductivity_tells_the_cycles_that_the_waters_tell() -> None:
    assert cycles_of_concentration(1_800.0, 450.0) == pytest.approx(make_up_l_s(30.0, 4.0) / blow_down_l_s(30.0, 4.0))


def test_without_cycles_there_is_no_balance() -> None:
    for calc in (blow_down_l_s, make_up_l_s):
        with pytest.raises(OutsideSourceRange):
            calc(30.0, 1.0)
        assert calc(30.0, 1.001) > 0
    with pytest.raises(OutsideSourceRange):
        evaporation_l_s(100.0, -0.1, 30.0, 25.0, 1.2, 101.0)
    with pytest.raises(OutsideSourceRange):
        evaporation_l_s(100.0, 5.0, 30.0, 25.0, 0.0, 101.0)
    with pytest.raises(OutsideSourceRange, match="make-up"):
        cycles_of_concentration(100.0, 0.0)


def test_no_range_and_saturated_air_evaporate_nothing() -> None:
    assert evaporation_l_s(100.0, 0.0, 25.0, 25.0, 1.2, 101.325) == pytest.approx(0.0, abs=2e-3)
