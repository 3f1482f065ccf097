"""Our unit names as BACnet engineering units (ANSI/ASHRAE 135, BACnetEngineeringUnits).

Gauge and absolute pressures share one engineering unit: the protocol does not tell them
apart, which is why the point list has to. Units that the enumeration lacks are ``no-units`` (95).
"""

from __future__ import annotations

from typing import Final

NO_UNITS: Final = 95

ENGINEERING_UNITS: Final[dict[str, int]] = {
    "degC": 62,
    "degF": 64,
    "K": 121,
    "delta_degC": 121,
    "delta_degF": 120,
    "L/s": 87,
    "L/min": 88,
    "m3/h": 135,
    "m3/s": 85,
    "gpm": 89,
    "m3": 80,
    "L": 82,
    "gal": 83,
    "kPa": 54,
    "kPaa": 54,
    "kPag": 54,
    "Pa": 53,
    "hPa": 133,
    "psi": 56,
    "psia": 56,
    "psig": 56,
    "bar": 55,
    "bara": 55,
    "barg": 55,
    "inHg": 61,
    "kW": 48,
    "W": 47,
    "MW": 49,
    "hp": 51,
    "ton": 52,
    "Btu/h": 50,
    "kBtu/h": 157,
    "kWh": 19,
    "MWh": 146,
    "ton_h": 22,
    "%": 98,
    "Hz": 27,
    "A": 3,
    "V": 5,
    "kV": 6,
    "s": 73,
    "min": 72,
    "h": 71,
    "m": 31,
    "mm": 30,
    "ft": 33,
    "in": 32,
    "mm/s": 161,
    "uS/cm": 190,
    "ppm": 96,
    "kg": 39,
    "lb": 40,
}
"""uS/cm is served as micro-siemens, the nearest that the enumeration has."""


def engineering_units(unit: str) -> int:
    """Return the enumeration's number for one of our unit names."""
    return ENGINEERING_UNITS.get(unit, NO_UNITS)
