"""Weather and cooling load of the simulated site over a day.

Dry bulb follows a daily cosine with its peak in mid-afternoon; slow random swings make no two
hours alike. All psychrometrics are this room's own: Magnus form for saturation (Alduchov and
Eskridge 1996, 10.1175/1520-0450(1996)035<0601:IMFAOS>2.0.CO;2, from memory), the ASHRAE
thermodynamic wet-bulb balance solved by bisection and secant, station pressure of the standard atmosphere.
"""

from __future__ import annotations

import math
import random
from collections.abc import Mapping
from dataclasses import dataclass
from datetime import UTC, datetime
from typing import Any, Final
from zoneinfo import ZoneInfo

from plantview.simulator.constants import STANDARD_ATMOSPHERE_KPA

DAY_S: Final = 86_400.0
DRY_BULB_PEAK_H: Final = 15.5
UNEVEN_SHARE: Final = 0.07
LEAST_HEATING: Final = 0.2
_SWINGS: Final = ((5_400.0, 1.0), (13_300.0, 1.4), (31_000.0, 1.6))
"""Periods in s and weights of the slow swings."""


@dataclass(slots=True)
class Air:
    """The air around the plant at one moment."""

    dry_bulb_c: float
    wet_bulb_c: float
    humidity_pct: float
    pressure_kpa: float


def saturation_vapour_kpa(temp_c: float) -> float:
    """Return the saturation vapour pressure over water."""
    return 0.61094 * math.exp(17.625 * temp_c / (temp_c + 243.04))


def station_pressure_kpa(altitude_m: float) -> float:
    """Return the pressure of the standard atmosphere at an altitude."""
    return float(STANDARD_ATMOSPHERE_KPA * (1 - 2.25577e-5 * altitude_m) ** 5.2559)


def _humidity_ratio(vapour_kpa: float, pressure_kpa: float) -> float:
    return 0.621945 * vapour_kpa / (pressure_kpa - vapour_kpa)


def wet_bulb_c(dry_bulb_c: float, humidity_pct: float, pressure_kpa: float) -> float:
    """Return the thermodynamic wet bulb: the temperature that saturates the air adiabatically."""
    ratio = _humidity_ratio(saturation_vapour_kpa(dry_bulb_c) * humidity_pct / 100, pressure_kpa)

    def excess(wet: float) -> float:
        saturated = _humidity_ratio(saturation_vapour_kpa(wet), pressure_kpa)
        latent = (2_501 - 2.326 * wet) * saturated - 1.006 * (dry_bulb_c - wet)
        return latent / (2_501 + 1.86 * dry_bulb_c - 4.186 * wet) - ratio

    low, high = dry_bulb_c - 40.0, dry_bulb_c
    for _ in range(30):
        middle = (low + high) / 2
        low, high = (low, middle) if excess(middle) > 0 else (middle, high)
    return (low + high) / 2


def heating_share(dry_bulb_c: float) -> float:
    """Return what heating coils ask for, as a share of their design: some reheat in summer, all of it at -10 degC."""
    return min(max((20.0 - dry_bulb_c) / 30.0, LEAST_HEATING), 1.0)


class Site:
    """Weather and load as functions of plant time."""

    def __init__(self, simulation: Mapping[str, Any], zone: str, altitude_m: float, seed: int) -> None:
        self._mean_c = float(simulation["dry_bulb_mean"])
        self._swing_k = float(simulation["dry_bulb_swing"])
        self._dew_c = float(simulation["dew_point"])
        self._load_low_kw = float(simulation["load_low"])
        self._load_high_kw = float(simulation["load_high"])
        self._peak_h = float(simulation["peak_hour"])
        self._zone = ZoneInfo(zone)
        self._pressure_kpa = station_pressure_kpa(altitude_m)
        source = random.Random(seed)
        self._phases = [[source.uniform(0, 2 * math.pi) for _ in _SWINGS] for _ in range(4)]
        self._zone_until_ms = -1
        self._zone_offset_s = 0.0

    def air(self, at_ms: int) -> Air:
        """Return the air at a moment."""
        hour = self.local_hour(at_ms)
        day = math.cos(2 * math.pi * (hour - DRY_BULB_PEAK_H) / 24)
        dry = self._mean_c + self._swing_k * day + 0.35 * self._drift(0, at_ms)
        dew = min(self._dew_c + 0.5 * self._drift(1, at_ms), dry - 0.3)
        pressure = self._pressure_kpa + 0.12 * self._drift(2, at_ms)
        humidity = 100 * saturation_vapour_kpa(dew) / saturation_vapour_kpa(dry)
        return Air(dry, wet_bulb_c(dry, humidity, pressure), humidity, pressure)

    def load_kw(self, at_ms: int) -> float:
        """Return the cooling that the buildings ask for."""
        day = 0.5 + 0.5 * math.cos(2 * math.pi * (self.local_hour(at_ms) - self._peak_h) / 24)
        load = self._load_low_kw + (self._load_high_kw - self._load_low_kw) * day
        return load * (1 + 0.008 * self._drift(3, at_ms))

    def shares(self, at_ms: int, weights: Mapping[str, float]) -> dict[str, float]:
        """Return how the load spreads over consumers of these sizes; rooms fill and empty at their own time."""
        hours = at_ms / 3_600_000
        uneven = {
            name: weight * (1 + UNEVEN_SHARE * math.sin(2 * math.pi * hours / (3.1 + 0.7 * place) + 2.1 * place))
            for place, (name, weight) in enumerate(weights.items())
        }
        total = sum(uneven.values())
        return {name: weight / total for name, weight in uneven.items()}

    def local_hour(self, at_ms: int) -> float:
        """Return the local time of the site in hours since midnight."""
        if not self._zone_until_ms - 900_000 <= at_ms < self._zone_until_ms:
            offset = datetime.fromtimestamp(at_ms / 1_000, UTC).astimezone(self._zone).utcoffset()
            self._zone_offset_s = offset.total_seconds() if offset else 0.0
            self._zone_until_ms = (at_ms // 900_000 + 1) * 900_000
        return (at_ms / 1_000 + self._zone_offset_s) % DAY_S / 3_600

    def _drift(self, row: int, at_ms: int) -> float:
        seconds = at_ms / 1_000
        return (
            sum(
                weight * math.sin(2 * math.pi * seconds / period + phase)
                for (period, weight), phase in zip(_SWINGS, self._phases[row], strict=True)
            )
            / 2
        )
