"""Density, heat capacity and enthalpy of water and glycol at loop pressure."""

from __future__ import annotations

import functools
from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

import numpy as np

from plantview.calcs._numeric import polynomial, within
from plantview.errors import OutsideSourceRange

if TYPE_CHECKING:
    from plantview.calcs._numeric import Numeric

LOOP_PRESSURE_KPAA: Final = 400.0
"""Pressure at which properties hold; 300 kPa more or less moves them by under 0.02 %."""
_SCALE_C: Final = 50.0
GLYCOLS: Final = {"MEG": "ethylene glycol", "MPG": "propylene glycol"}
GLYCOL_PCT_MAX: Final = 60.0


@dataclass(frozen=True, slots=True)
class _Liquid:
    """Polynomials in t/50 °C of one liquid, and the temperatures they cover."""

    density_kg_m3: tuple[float, ...]
    cp_kj_kg_k: tuple[float, ...]
    freezing_c: float
    low_c: float
    high_c: float

    @property
    def enthalpy_kj_kg(self) -> tuple[float, ...]:
        """Return the integral of the heat capacity, zero at 0 °C."""
        return (0.0, *(c * _SCALE_C / (i + 1) for i, c in enumerate(self.cp_kj_kg_k)))


# fitted to IAPWS-95 (as in CoolProp 8.0.0) at 400 kPa, every 0.25 K from 0 to 60 °C
_WATER: Final = _Liquid(
    density_kg_m3=(999.9969009, 3.254695662, -21.97009407, 10.36816639, -4.379439645, 0.8950508529),
    cp_kj_kg_k=(4.217866242, -0.1666752358, 0.2846944492, -0.264244522, 0.1404186041, -0.0314018668),
    freezing_c=0.0,
    low_c=0.0,
    high_c=60.0,
)


def density_kg_m3(temperature_c: Numeric, fluid: str = "water") -> Numeric:
    """Return the density of the loop's water.

    Shape
        Scalar or series in, the same out.

    Parameters
        temperature_c   water 0..60 °C, glycol from its freezing point  [°C]
        fluid           ``water``, or such as ``MEG 25 %`` (mass)       [name]

    Returns
        density         NaN where the temperature is NaN                [kg/m³]

    Errors
        OutsideSourceRange   temperature or fluid that the source does not cover.

    Source
        Fit to IAPWS-95 at 400 kPa, within 0.001 % (tests/standards/test_water.py);
        glycol: incompressible mixtures of CoolProp 8 after Melinder (2010), 1–2 % between fits.

    >>> round(density_kg_m3(7.0), 2)
    1000.05
    """
    liquid = _liquid(fluid)
    return polynomial(liquid.density_kg_m3, _scaled(temperature_c, liquid))


def heat_capacity_kj_kg_k(temperature_c: Numeric, fluid: str = "water") -> Numeric:
    """Return the heat that a kilogram of the loop's water takes up per kelvin.

    Shape
        Scalar or series in, the same out.

    Parameters
        temperature_c   water 0..60 °C, glycol from its freezing point  [°C]
        fluid           ``water``, or such as ``MEG 25 %`` (mass)       [name]

    Returns
        cp              NaN where the temperature is NaN                [kJ/(kg·K)]

    Errors
        OutsideSourceRange   temperature or fluid that the source does not cover.

    Source
        Fit to IAPWS-95 at 400 kPa, within 0.003 % (tests/standards/test_water.py);
        glycol as for density.

    >>> round(heat_capacity_kj_kg_k(20.0), 2)
    4.18
    """
    liquid = _liquid(fluid)
    return polynomial(liquid.cp_kj_kg_k, _scaled(temperature_c, liquid))


def enthalpy_kj_kg(temperature_c: Numeric, fluid: str = "water") -> Numeric:
    """Return the heat content of the loop's water above 0 °C; only differences mean something.

    Shape
        Scalar or series in, the same out.

    Parameters
        temperature_c   water 0..60 °C, glycol from its freezing point  [°C]
        fluid           ``water``, or such as ``MEG 25 %`` (mass)       [name]

    Returns
        enthalpy        NaN where the temperature is NaN                [kJ/kg]

    Errors
        OutsideSourceRange   temperature or fluid that the source does not cover.

    Source
        The heat capacity above, integrated (tests/standards/test_water.py).

    >>> round(enthalpy_kj_kg(12.0) - enthalpy_kj_kg(7.0), 1)
    21.0
    """
    liquid = _liquid(fluid)
    return polynomial(liquid.enthalpy_kj_kg, _scaled(temperature_c, liquid))


def freezing_c(fluid: str) -> float:
    """Return the temperature at which the loop's water begins to freeze.

    Shape
        One name in, one number out.

    Parameters
        fluid           ``water``, or such as ``MEG 25 %`` (mass)       [name]

    Returns
        temperature     of the first ice crystals                       [°C]

    Errors
        OutsideSourceRange   a fluid that the source does not cover.

    Source
        Water by definition; glycol as for density, within a kelvin of other fits
        (tests/standards/test_water.py).

    >>> freezing_c("water")
    0.0
    """
    return _liquid(fluid).freezing_c


def _scaled(temperature_c: Numeric, liquid: _Liquid) -> Numeric:
    return within(temperature_c, liquid.low_c, liquid.high_c, "water temperature, °C,") / _SCALE_C


@functools.cache
def _liquid(fluid: str) -> _Liquid:
    """Return the properties of ``water`` or of a glycol such as ``MPG 30 %``."""
    if fluid.strip().lower() == "water":
        return _WATER
    name, _, rest = fluid.strip().partition(" ")
    try:
        mass_pct = float(rest.replace("%", ""))
    except ValueError:
        mass_pct = -1.0
    if name not in GLYCOLS or not 0 < mass_pct <= GLYCOL_PCT_MAX:
        raise OutsideSourceRange(
            f"fluid '{fluid}' is unknown; write water, or MEG or MPG with its mass concentration up to "
            f"{GLYCOL_PCT_MAX:g} %, such as \"MEG 25 %\""
        )
    return _glycol(name, mass_pct / 100.0)


def _glycol(name: str, mass_fraction: float) -> _Liquid:
    from CoolProp.CoolProp import PropsSI  # noqa: PLC0415  # takes a second to load, and most plants hold water

    mixture = f"INCOMP::{name}[{mass_fraction:.4f}]"
    pressure_pa = LOOP_PRESSURE_KPAA * 1_000.0
    freeze_c = PropsSI("T_FREEZE", "T", 300.0, "P", pressure_pa, mixture) - 273.15
    low_c, high_c = freeze_c + 0.5, _WATER.high_c
    at_c = np.linspace(low_c, high_c, 61)
    fits = (
        np.polynomial.polynomial.polyfit(
            at_c / _SCALE_C, [PropsSI(key, "T", t + 273.15, "P", pressure_pa, mixture) / per for t in at_c], 5
        )
        for key, per in (("D", 1.0), ("C", 1_000.0))
    )
    density, cp = (tuple(float(c) for c in fit) for fit in fits)
    return _Liquid(density, cp, freeze_c, low_c, high_c)
