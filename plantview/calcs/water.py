"""Density, heat capacity and enthalpy of water and glycol at loop pressure."""

from __future__ import annotations

import functools
from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

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

_PIVOT_FRACTION: Final = 0.3
_ABOVE_FREEZING_K: Final = 0.5
_POWERS: Final = tuple(
    (of_fraction, of_temperature)
    for of_fraction, highest in enumerate((3, 3, 3, 2, 1, 0))
    for of_temperature in range(highest + 1)
)
"""Powers of (mass fraction - 0.3) and of t/50 °C that each term has: the eighteen terms of Melinder's fits."""
# density kg/m³, heat capacity kJ/(kg·K) and freezing point °C; fitted to the incompressible mixtures of CoolProp
# 8.0.0 from 2 to 60 % and from freezing to 60 °C; no digit is from memory
_MELINDER: Final[dict[str, tuple[tuple[float, ...], ...]]] = {
    "MEG": (
        (
            1044.97181, -14.2283806, -7.95415435, 0.589283325,
            158.169335, -50.354705, 11.9738208, 0.10585579,
            -25.7516723, 56.8295967, -21.1109158, 6.2275,
            -160.93726, 110.23628, -28.825,
            111.866787, -360.55, 489.1,
        ),
        (
            3.65808886, 0.153665801, -0.00744618894, -0.00176217564,
            -2.1552431, 0.659061617, -0.113194615, 0.0038187939,
            -1.09230237, -0.106724071, 0.308008147, -0.089225,
            2.37284097, 0.534140368, -0.41075,
            3.57699596, -2.136, -16.18,
        ),
        (-14.5757779, -78.5582485, -131.505447, -76.3269458, 100.117666, 11.4),
    ),
    "MPG": (
        (
            1031.55979, -15.6720473, -10.0908166, 1.69576191,
            113.861959, -67.9550601, 17.4020939, -1.73809164,
            -33.920888, 28.5482705, -17.9483859, 4.22,
            -253.954302, 168.041375, -17.9375,
            -48.6881667, -111.05, 234.2,
        ),
        (
            3.80264097, 0.136635578, -0.00124925136, -0.00142677413,
            -1.4594815, 0.299641524, -0.0551084337, 0.0198810242,
            -1.46450744, -0.466313079, 0.426773153, -0.060875,
            -1.18501767, 2.61622722, -0.7375,
            7.50807085, -3.5675, -4.959,
        ),
        (-12.7891041, -64.8049995, -104.686092, -218.640106, -346.050208, 146.5),
    ),
}  # fmt: skip


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
        Fit to IAPWS-95 at 400 kPa, within 0.001 % (tests/standards/test_water.py,
        tests/standards/test_property_errors.py); glycol: Melinder (2010) as in CoolProp
        8.0.0, as near; 1–2 % between published fits.

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
        Fit to IAPWS-95 at 400 kPa, within 0.003 % (tests/standards/test_water.py,
        tests/standards/test_property_errors.py); glycol as for density.

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
        The heat capacity above, integrated; differences within 0.003 % of CoolProp 8.0.0
        (tests/standards/test_water.py, tests/standards/test_property_errors.py).

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
        Water by definition; glycol within 0.001 K of CoolProp 8.0.0, within a kelvin of
        other fits (tests/standards/test_water.py, tests/standards/test_property_errors.py).

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
            f'{GLYCOL_PCT_MAX:g} %, such as "MEG 25 %"'
        )
    return _glycol(name, mass_pct / 100.0)


def _glycol(name: str, mass_fraction: float) -> _Liquid:
    density, cp, freezing = _MELINDER[name]
    beside = mass_fraction - _PIVOT_FRACTION
    freezing_c = polynomial(freezing, beside)
    return _Liquid(
        _of_temperature(density, beside),
        _of_temperature(cp, beside),
        freezing_c,
        freezing_c + _ABOVE_FREEZING_K,
        _WATER.high_c,
    )


def _of_temperature(terms: tuple[float, ...], beside: float) -> tuple[float, ...]:
    """Return the polynomial in temperature that is left at one concentration."""
    powers = [0.0] * 4
    for (of_fraction, of_temperature), term in zip(_POWERS, terms, strict=True):
        powers[of_temperature] += term * beside**of_fraction
    return tuple(powers)
