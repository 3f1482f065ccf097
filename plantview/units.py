"""The only conversion factors: pint reads them once at load, afterwards a line y = x * factor + offset.

Whether the 32 °F offset applies follows from the quantity of a point (temperature or
temperature_difference), never from the unit code that a device reports.
"""

from __future__ import annotations

import difflib
import functools
import math
from dataclasses import dataclass
from decimal import ROUND_HALF_UP, Decimal
from typing import Final

import pint

# quantity: (canonical unit of calculations, its label, US customary unit shown, decimals SI, decimals IP)
QUANTITIES: Final[dict[str, tuple[str, str, int, int]]] = {
    "temperature": ("degC", "degF", 1, 1),
    "temperature_difference": ("K", "delta_degF", 1, 1),
    "flow": ("L/s", "gpm", 1, 0),
    "volume": ("m3", "gal", 1, 0),
    "pressure_absolute": ("kPaa", "psia", 1, 1),
    "pressure_gauge": ("kPag", "psig", 1, 1),
    "pressure_difference": ("kPa", "psi", 1, 1),
    "power": ("kW", "kW", 1, 1),
    "heat_flow": ("kW", "ton", 0, 0),
    "energy": ("kWh", "kWh", 0, 0),
    "percent": ("%", "%", 0, 0),
    "humidity": ("%", "%", 0, 0),
    "frequency": ("Hz", "Hz", 1, 1),
    "current": ("A", "A", 0, 0),
    "voltage": ("V", "V", 0, 0),
    "duration": ("s", "s", 0, 0),
    "hours": ("h", "h", 0, 0),
    "length": ("m", "ft", 2, 1),
    "velocity": ("mm/s", "in/s", 1, 2),
    "conductivity": ("uS/cm", "uS/cm", 0, 0),
    "concentration": ("ppm", "ppm", 0, 0),
    "count": ("count", "count", 0, 0),
    "state": ("state", "state", 0, 0),
    "efficiency": ("kW/ton", "kW/ton", 3, 3),
    "ratio": ("1", "1", 2, 2),
    "mass": ("kg", "lb", 0, 0),
}

# our name: (label, pint expression, quantities it may stand for)
_TABLE: Final[dict[str, tuple[str, str, tuple[str, ...]]]] = {
    "degC": ("°C", "degC", ("temperature",)),
    "degF": ("°F", "degF", ("temperature",)),
    "K": ("K", "kelvin", ("temperature_difference",)),
    "delta_degC": ("K", "kelvin", ("temperature_difference",)),
    "delta_degF": ("°F", "delta_degF", ("temperature_difference",)),
    "L/s": ("L/s", "liter/second", ("flow",)),
    "L/min": ("L/min", "liter/minute", ("flow",)),
    "m3/h": ("m³/h", "meter**3/hour", ("flow",)),
    "m3/s": ("m³/s", "meter**3/second", ("flow",)),
    "gpm": ("gpm", "gallon/minute", ("flow",)),
    "m3": ("m³", "meter**3", ("volume",)),
    "L": ("L", "liter", ("volume",)),
    "gal": ("gal", "gallon", ("volume",)),
    "kPaa": ("kPa abs", "kilopascal", ("pressure_absolute",)),
    "psia": ("psia", "psi", ("pressure_absolute",)),
    "bara": ("bar abs", "bar", ("pressure_absolute",)),
    "hPa": ("hPa", "hectopascal", ("pressure_absolute",)),
    "inHg": ("inHg", "3386.389*pascal", ("pressure_absolute",)),
    "kPag": ("kPa gauge", "kilopascal", ("pressure_gauge",)),
    "psig": ("psig", "psi", ("pressure_gauge",)),
    "barg": ("bar gauge", "bar", ("pressure_gauge",)),
    "kPa": ("kPa", "kilopascal", ("pressure_difference",)),
    "Pa": ("Pa", "pascal", ("pressure_difference",)),
    "psi": ("psi", "psi", ("pressure_difference",)),
    "bar": ("bar", "bar", ("pressure_difference",)),
    "ftH2O": ("ft water", "2989.067*pascal", ("pressure_difference",)),
    "mH2O": ("m water", "9806.65*pascal", ("pressure_difference",)),
    "kW": ("kW", "kilowatt", ("power", "heat_flow")),
    "W": ("W", "watt", ("power", "heat_flow")),
    "MW": ("MW", "megawatt", ("power", "heat_flow")),
    "hp": ("hp", "745.699872*watt", ("power",)),
    "ton": ("tons", "12000*1055.05585262*joule/hour", ("heat_flow",)),
    "Btu/h": ("Btu/h", "1055.05585262*joule/hour", ("heat_flow",)),
    "kBtu/h": ("kBtu/h", "1055055.85262*joule/hour", ("heat_flow",)),
    "kWh": ("kWh", "kilowatt_hour", ("energy",)),
    "MWh": ("MWh", "megawatt_hour", ("energy",)),
    "ton_h": ("ton-h", "12000*1055.05585262*joule", ("energy",)),
    "%": ("%", "dimensionless", ("percent", "humidity")),
    "fraction": ("", "100*dimensionless", ("percent", "humidity")),
    "Hz": ("Hz", "hertz", ("frequency",)),
    "A": ("A", "ampere", ("current",)),
    "V": ("V", "volt", ("voltage",)),
    "kV": ("kV", "kilovolt", ("voltage",)),
    "s": ("s", "second", ("duration",)),
    "min": ("min", "minute", ("duration",)),
    "h": ("h", "hour", ("duration", "hours")),
    "m": ("m", "meter", ("length",)),
    "mm": ("mm", "millimeter", ("length",)),
    "ft": ("ft", "foot", ("length",)),
    "in": ("in", "inch", ("length",)),
    "mm/s": ("mm/s", "millimeter/second", ("velocity",)),
    "in/s": ("in/s", "inch/second", ("velocity",)),
    "uS/cm": ("µS/cm", "microsiemens/centimeter", ("conductivity",)),
    "ppm": ("ppm", "dimensionless", ("concentration",)),
    "count": ("", "dimensionless", ("count",)),
    "state": ("", "dimensionless", ("state",)),
    "kW/ton": ("kW/ton", "dimensionless", ("efficiency",)),
    "1": ("", "dimensionless", ("ratio",)),
    "kg": ("kg", "kilogram", ("mass",)),
    "lb": ("lb", "pound", ("mass",)),
}


@dataclass(frozen=True, slots=True)
class Unit:
    """A unit as used for one quantity: canonical = reported * factor + offset."""

    name: str
    label: str
    quantity: str
    factor: float
    offset: float

    def to_canonical(self, value: float) -> float:
        """Return the value in the one unit that calculations use for this quantity."""
        return value * self.factor + self.offset

    def from_canonical(self, value: float) -> float:
        """Return the canonical value in this unit."""
        return (value - self.offset) / self.factor


class UnknownUnit(ValueError):
    """A unit that plantview does not know, or one of another quantity; text says the remedy."""


@functools.cache
def _registry() -> pint.UnitRegistry[float]:
    return pint.UnitRegistry(autoconvert_offset_to_baseunit=True)


@functools.cache
def unit(name: str, quantity: str) -> Unit:
    """Return the unit ``name`` for ``quantity``; UnknownUnit says what would be right."""
    if name not in _TABLE:
        near = difflib.get_close_matches(name, _TABLE, n=1, cutoff=0.5)
        hint = f"did you mean {near[0]}? " if near else ""
        raise UnknownUnit(f"unknown unit '{name}'; {hint}units for {quantity}: {', '.join(units_of(quantity))}")
    label, expression, quantities = _TABLE[name]
    if quantity not in quantities:
        raise UnknownUnit(f"'{name}' is no unit of {quantity}; units for {quantity}: {', '.join(units_of(quantity))}")
    canonical = QUANTITIES[quantity][0]
    factor, offset = _line(expression, _TABLE[canonical][1])
    return Unit(name, label, quantity, factor, offset)


def _line(expression: str, canonical: str) -> tuple[float, float]:
    registry = _registry()
    if canonical == "degC":
        zero, ten = (registry.Quantity(x, expression).to("degC").magnitude for x in (0.0, 10.0))
        return (ten - zero) / 10.0, zero
    return float(registry.parse_expression(expression).to(canonical).magnitude), 0.0


def units_of(quantity: str) -> tuple[str, ...]:
    """Return the names of all units that may stand for ``quantity``."""
    return tuple(name for name, (_, _, quantities) in _TABLE.items() if quantity in quantities)


def canonical(quantity: str) -> Unit:
    """Return the unit in which calculations hold ``quantity``."""
    return unit(QUANTITIES[quantity][0], quantity)


def shown(quantity: str, system: str) -> tuple[Unit, int]:
    """Return the unit and the decimals in which a viewer of ``system`` ("si" or "ip") sees ``quantity``."""
    si, ip, digits_si, digits_ip = QUANTITIES[quantity]
    return (unit(si, quantity), digits_si) if system == "si" else (unit(ip, quantity), digits_ip)


def fixed(number: float, digits: int) -> str:
    """Return a number with so many decimals; one that lies exactly between two is rounded away from 0.

    Source
        ``Number.prototype.toFixed`` of ECMA-262, from memory: what a browser does, so that page and server show one number.

    >>> fixed(84.5, 0), fixed(-2.5, 0), fixed(1.005, 2)
    ('85', '-3', '1.00')
    """
    if not math.isfinite(number):
        return str(number)
    return f"{Decimal(number).quantize(Decimal(1).scaleb(-digits), ROUND_HALF_UP):f}"


def parse(text: str, quantity: str) -> float:
    """Return the canonical number of a text such as ``"660 ton"`` or ``"6.7 degC"``."""
    number, _, name = text.strip().partition(" ")
    try:
        value = float(number)
    except ValueError:
        example = f"12 {QUANTITIES[quantity][0]}"
        raise UnknownUnit(f"'{text}' is not a number with a unit; write it like \"{example}\"") from None
    return unit(name.strip(), quantity).to_canonical(value)
