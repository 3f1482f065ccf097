"""Properties of water, refrigerant and air in the simulated plant against independent libraries.

Implementation: own fits in plantview.simulator. Oracles: iapws (IAPWS-IF97), CoolProp 8 (reference
equations of state), psychrolib 2.5 (ASHRAE Fundamentals), pint and CODATA-free exact unit definitions.
"""

from __future__ import annotations

import psychrolib
import pytest
from CoolProp.CoolProp import PropsSI
from iapws import IAPWS97

from plantview.simulator.conversions import scale
from plantview.simulator.refrigerant import saturation_pressure_kpa
from plantview.simulator.water import density_kg_l, enthalpy_kj_kg, specific_heat, temp_c
from plantview.simulator.weather import station_pressure_kpa, wet_bulb_c
from plantview.units import unit


@pytest.mark.parametrize("celsius", [1.0, 5.0, 6.67, 12.0, 20.0, 29.44, 35.0, 45.0, 58.0])
def test_water_agrees_with_the_industrial_formulation(celsius: float) -> None:
    true = IAPWS97(T=celsius + 273.15, P=0.35)
    zero = IAPWS97(T=273.15, P=0.35)
    assert density_kg_l(celsius) == pytest.approx(true.rho / 1_000, rel=2e-4)
    assert enthalpy_kj_kg(celsius) == pytest.approx(true.h - zero.h, rel=0, abs=0.03)
    assert specific_heat(celsius) == pytest.approx(true.cp, rel=1.5e-3)
    assert temp_c(enthalpy_kj_kg(celsius)) == pytest.approx(celsius, rel=0, abs=1e-3)


@pytest.mark.parametrize(
    ("name", "fluid"),
    [
        ("R-134a", "R134a"),
        ("R-1234ze(E)", "R1234ze(E)"),
        ("R-1233zd(E)", "R1233zd(E)"),
        ("R-123", "R123"),
    ],
)
def test_saturation_pressure_agrees_with_the_equation_of_state(name: str, fluid: str) -> None:
    for celsius in range(-5, 51, 5):
        true_kpa = PropsSI("P", "T", celsius + 273.15, "Q", 1, fluid) / 1_000
        assert saturation_pressure_kpa(name, celsius) == pytest.approx(true_kpa, rel=2e-3)


def test_a_kelvin_of_saturation_is_far_more_than_the_error_of_the_fit() -> None:
    assert saturation_pressure_kpa("R-134a", 6.0) / saturation_pressure_kpa("R-134a", 5.0) > 1.03


# dry bulb °F, relative humidity, altitude ft, wet bulb °F (psychrolib, confirmed by CoolProp HAPropsSI to 0.02 °F)
AIR = [
    (95, 0.40, 0, 75.076),
    (85, 0.50, 0, 70.780),
    (78, 0.50, 0, 65.018),
    (90, 0.50, 5_280, 74.131),
    (95, 0.20, 5_280, 64.124),
]


@pytest.mark.parametrize(("dry_f", "humidity", "feet", "wet_f"), AIR)
def test_wet_bulb_agrees_with_the_handbook_at_altitude_too(
    dry_f: float, humidity: float, feet: float, wet_f: float
) -> None:
    wet_c = wet_bulb_c((dry_f - 32) / 1.8, 100 * humidity, station_pressure_kpa(feet * 0.3048))
    assert wet_c * 1.8 + 32 == pytest.approx(wet_f, rel=0, abs=0.05)


def test_station_pressure_agrees_with_the_handbook() -> None:
    psychrolib.SetUnitSystem(psychrolib.SI)
    for metres in (0.0, 180.0, 190.0, 1_609.0):
        assert station_pressure_kpa(metres) == pytest.approx(
            psychrolib.GetStandardAtmPressure(metres) / 1_000, rel=2e-4
        )


UNITS = [
    ("temperature", "degF"),
    ("temperature", "degC"),
    ("flow", "gpm"),
    ("flow", "m3/h"),
    ("pressure_gauge", "psig"),
    ("pressure_gauge", "kPag"),
    ("pressure_absolute", "inHg"),
    ("pressure_absolute", "hPa"),
    ("pressure_difference", "psi"),
    ("pressure_difference", "ftH2O"),
    ("power", "hp"),
    ("length", "in"),
    ("length", "mm"),
    ("heat_flow", "ton"),
    ("temperature_difference", "delta_degF"),
    ("percent", "%"),
    ("energy", "MWh"),
    ("energy", "ton_h"),
]


@pytest.mark.parametrize(("quantity", "name"), UNITS)
def test_the_simulator_converts_as_the_dashboard_does_though_each_has_its_own_factors(quantity: str, name: str) -> None:
    for canonical in (-5.0, 0.0, 1.0, 123.456):
        assert scale(quantity, name).reported(canonical) == pytest.approx(
            unit(name, quantity).from_canonical(canonical), rel=1e-6
        )
        assert scale(quantity, name).canonical(scale(quantity, name).reported(canonical)) == pytest.approx(canonical)
