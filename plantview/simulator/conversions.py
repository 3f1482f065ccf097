"""The units that simulated devices report: own factors, from the definitions of the units.

reported = canonical * factor + offset, where canonical is degC, K, L/s, kPa (absolute, gauge or
difference as the quantity says), kW, kWh, %, m, s and h. Exact definitions: 1 in = 25.4 mm,
1 lb = 0.45359237 kg, 1 US gal = 3.785411784 L, g = 9.80665 m/s2 (NIST SP 811, from memory).
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

_PSI_KPA: Final = 0.45359237 * 9.80665 / 0.0254**2 / 1_000
_INHG_KPA: Final = 3.386389
_TON_KW: Final = 12_000 * 1_055.05585262 / 3_600 / 1_000

_PRESSURES: Final = {
    "kPa": 1.0,
    "kPaa": 1.0,
    "kPag": 1.0,
    "Pa": 1_000.0,
    "hPa": 10.0,
    "bar": 0.01,
    "bara": 0.01,
    "barg": 0.01,
    "psi": 1 / _PSI_KPA,
    "psia": 1 / _PSI_KPA,
    "psig": 1 / _PSI_KPA,
    "inHg": 1 / _INHG_KPA,
    "ftH2O": 1 / 2.989067,
    "mH2O": 1 / 9.80665,
}
_POWERS: Final = {
    "kW": 1.0,
    "W": 1_000.0,
    "MW": 0.001,
    "hp": 1 / 0.745699872,
    "ton": 1 / _TON_KW,
    "Btu/h": 3_600_000 / 1_055.05585262,
    "kBtu/h": 3_600 / 1_055.05585262,
}
_LENGTHS: Final = {"m": 1.0, "mm": 1_000.0, "ft": 1 / 0.3048, "in": 1 / 0.0254}
_PERCENT: Final = {"%": 1.0, "fraction": 0.01}

_FACTORS: Final[dict[str, dict[str, float]]] = {
    "temperature": {"degC": 1.0, "degF": 1.8},
    "temperature_difference": {"K": 1.0, "delta_degC": 1.0, "delta_degF": 1.8},
    "flow": {"L/s": 1.0, "L/min": 60.0, "m3/h": 3.6, "m3/s": 0.001, "gpm": 60 / 3.785411784},
    "volume": {"m3": 1.0, "L": 1_000.0, "gal": 1_000 / 3.785411784},
    "pressure_absolute": _PRESSURES,
    "pressure_gauge": _PRESSURES,
    "pressure_difference": _PRESSURES,
    "power": _POWERS,
    "heat_flow": _POWERS,
    "energy": {"kWh": 1.0, "MWh": 0.001, "ton_h": 1 / _TON_KW},
    "percent": _PERCENT,
    "humidity": _PERCENT,
    "frequency": {"Hz": 1.0},
    "current": {"A": 1.0},
    "voltage": {"V": 1.0, "kV": 0.001},
    "duration": {"s": 1.0, "min": 1 / 60, "h": 1 / 3_600},
    "hours": {"h": 1.0},
    "length": _LENGTHS,
    "velocity": {"mm/s": 1.0, "in/s": 1 / 25.4},
    "conductivity": {"uS/cm": 1.0},
    "concentration": {"ppm": 1.0},
    "count": {"count": 1.0},
    "state": {"state": 1.0},
    "ratio": {"1": 1.0},
}

# Smallest step that a device of the trade shows in this unit (common practice, no source).
_RESOLUTIONS: Final = {
    "degC": 0.05,
    "degF": 0.1,
    "K": 0.05,
    "delta_degF": 0.1,
    "L/s": 0.1,
    "L/min": 1.0,
    "m3/h": 0.1,
    "gpm": 1.0,
    "kPa": 0.1,
    "kPag": 0.1,
    "kPaa": 0.1,
    "hPa": 0.1,
    "Pa": 10.0,
    "psi": 0.05,
    "psig": 0.1,
    "psia": 0.1,
    "bar": 0.001,
    "barg": 0.001,
    "bara": 0.001,
    "inHg": 0.01,
    "kW": 0.1,
    "W": 10.0,
    "MW": 0.001,
    "ton": 0.1,
    "kWh": 1.0,
    "MWh": 0.001,
    "%": 0.1,
    "fraction": 0.001,
    "in": 0.1,
    "mm": 1.0,
    "m": 0.001,
    "ft": 0.01,
    "s": 1.0,
    "min": 1.0,
    "h": 1.0,
    "count": 1.0,
    "state": 1.0,
    "uS/cm": 1.0,
    "A": 0.1,
    "V": 0.1,
    "Hz": 0.1,
}


@dataclass(frozen=True, slots=True)
class Scale:
    """How a canonical number becomes the number that a device reports."""

    factor: float
    offset: float
    resolution: float

    def reported(self, canonical: float) -> float:
        """Return the number in the device's unit, not yet rounded."""
        return canonical * self.factor + self.offset

    def canonical(self, reported: float) -> float:
        """Return the canonical number of a reported one."""
        return (reported - self.offset) / self.factor

    def rounded(self, reported: float) -> float:
        """Return the number as the device shows it, to its resolution."""
        return round(round(reported / self.resolution) * self.resolution, 6)


_OTHER_SYSTEM: Final = {
    "degC": "degF",
    "degF": "degC",
    "L/s": "gpm",
    "m3/h": "gpm",
    "gpm": "L/s",
    "kPa": "psi",
    "psi": "kPa",
    "kPag": "psig",
    "psig": "kPag",
    "kPaa": "psia",
    "psia": "kPaa",
    "kW": "ton",
    "ton": "kW",
    "mm": "in",
    "in": "mm",
    "m": "ft",
    "ft": "m",
}


def other_system(quantity: str, unit: str) -> Scale | None:
    """Return how the unit of the other system reports ``quantity``; None where nobody mistakes it."""
    other = _OTHER_SYSTEM.get(unit)
    return scale(quantity, other) if other in _FACTORS.get(quantity, {}) and other else None


def scale(quantity: str, unit: str) -> Scale:
    """Return how ``unit`` reports ``quantity``; KeyError when this simulator does not know it."""
    factor = _FACTORS[quantity][unit]
    offset = 32.0 if unit == "degF" and quantity == "temperature" else 0.0
    return Scale(factor, offset, _RESOLUTIONS.get(unit, 0.01))
