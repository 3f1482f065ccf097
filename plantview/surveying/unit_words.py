"""BACnet's words for engineering units as plantview's unit names.

Source: ANSI/ASHRAE 135, BACnetEngineeringUnits; words as bacpypes3 spells them (checked in the tests).
"""

from __future__ import annotations

from typing import Final

from plantview.units import QUANTITIES, units_of

OUR_UNIT: Final[dict[str, str]] = {
    "degrees-celsius": "degC",
    "degrees-fahrenheit": "degF",
    "delta-degrees-fahrenheit": "delta_degF",
    "delta-degrees-kelvin": "K",
    "cubic-meters-per-second": "m3/s",
    "liters-per-second": "L/s",
    "liters-per-minute": "L/min",
    "us-gallons-per-minute": "gpm",
    "cubic-meters-per-hour": "m3/h",
    "cubic-meters": "m3",
    "liters": "L",
    "us-gallons": "gal",
    "pascals": "Pa",
    "kilopascals": "kPa",
    "bars": "bar",
    "hectopascals": "hPa",
    "pounds-force-per-square-inch": "psi",
    "inches-of-mercury": "inHg",
    "watts": "W",
    "kilowatts": "kW",
    "megawatts": "MW",
    "horsepower": "hp",
    "tons-refrigeration": "ton",
    "btus-per-hour": "Btu/h",
    "kilo-btus-per-hour": "kBtu/h",
    "kilowatt-hours": "kWh",
    "megawatt-hours": "MWh",
    "ton-hours": "ton_h",
    "percent": "%",
    "percent-relative-humidity": "%",
    "hertz": "Hz",
    "amperes": "A",
    "volts": "V",
    "kilovolts": "kV",
    "seconds": "s",
    "minutes": "min",
    "hours": "h",
    "meters": "m",
    "millimeters": "mm",
    "feet": "ft",
    "inches": "in",
    "millimeters-per-second": "mm/s",
    "micro-siemens": "uS/cm",
    "parts-per-million": "ppm",
    "kilograms": "kg",
    "pounds-mass": "lb",
    "power-factor": "1",
}
"""Micro-siemens stands for µS/cm: the enumeration's own word for that came late and is rarely served."""
UNLABELLED: Final = frozenset({"", "no-units"})
PRESSURES: Final = frozenset({"pressure_difference", "pressure_gauge", "pressure_absolute"})


def our_unit(word: str) -> str:
    """Return our unit for BACnet's word; empty where there is none."""
    return OUR_UNIT.get(word, "")


def quantities_of(unit: str) -> frozenset[str]:
    """Return what a number in this unit may be; a bare pressure unit may be gauge, absolute or a difference."""
    found = frozenset(quantity for quantity in QUANTITIES if unit in units_of(quantity))
    return PRESSURES if found & PRESSURES else found
