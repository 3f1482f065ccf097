"""Saturation temperature and pressure of the refrigerants of water chillers."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, Final, cast

from plantview.calcs._numeric import exp, log, polynomial, within
from plantview.calcs.air import standard_pressure_kpaa
from plantview.errors import OutsideSourceRange

if TYPE_CHECKING:
    from plantview.calcs._numeric import Numeric

LOW_C: Final = -20.0
HIGH_C: Final = 70.0
_PIVOT_KPAA: Final = 500.0
_PIVOT_C: Final = 25.0
_SCALE_K: Final = 50.0


@dataclass(frozen=True, slots=True)
class _Curve:
    """One saturation curve from -20 to 70 °C, fitted in both directions."""

    low_kpaa: float
    high_kpaa: float
    temperature_c: tuple[float, ...]
    """Polynomial in ln(p / 500 kPa)."""
    log_pressure: tuple[float, ...]
    """ln(p / 500 kPa) as a polynomial in (t - 25 °C) / 50."""


# fitted to the Helmholtz equations of state in CoolProp 8.0.0, every 0.25 K; no digit is from memory
_R134A: Final = _Curve(
    132.735,
    2116.83,
    (15.73415706, 31.31221906, 3.776860302, 0.3999429338, 0.01608175872, -0.008640318043),
    (0.2857493993, 1.489514426, -0.2722162847, 0.05852469561, -0.0104288646, 0.002420680589),
)
_R513A_DEW: Final = _Curve(
    151.632,
    2164.57,
    (13.26768286, 32.04537076, 3.949277565, 0.4201612017, 0.01401030557, -0.0133661754),
    (0.3503963643, 1.42992093, -0.2565427482, 0.05612199214, -0.009882404426, 0.002397217429),
)
_R513A_BUBBLE: Final = _Curve(
    152.073,
    2165.21,
    (13.26067479, 32.07173631, 3.924489247, 0.4191484566, 0.01546947721, -0.012740055),
    (0.3504208415, 1.42954375, -0.2549279036, 0.05490006178, -0.009473292552, 0.002272730234),
)
_R1234ZE: Final = _Curve(
    96.8719,
    1610.97,
    (25.09766357, 33.09037291, 4.030947687, 0.4081308112, 0.01441077775, -0.004524298234),
    (-0.002964743256, 1.512157867, -0.2781832996, 0.05940402482, -0.01114930784, 0.002288725957),
)
_R1233ZD: Final = _Curve(
    18.5828,
    511.957,
    (69.09293906, 38.27967081, 4.676029681, 0.4905289487, 0.03645298697, 0.001359095838),
    (-1.344492926, 1.783564905, -0.3470593855, 0.07052434872, -0.01333021472, 0.002337704392),
)
_R123: Final = _Curve(
    11.9973,
    377.224,
    (80.8801808, 39.97538688, 4.981476753, 0.5393560199, 0.04197887028, 0.001684316516),
    (-1.699831407, 1.854533694, -0.3667684989, 0.07357819848, -0.01359401033, 0.002297316721),
)
# a mixture of 74.7 % R-1336mzz(Z) and 25.3 % R-1130(E) by mass, whose equation no measurement was held against here
_R514A_DEW: Final = _Curve(
    10.5482,
    368.062,
    (81.55736971, 39.14083978, 4.771486947, 0.4980688042, 0.03735815178, 0.001445835108),
    (-1.762612309, 1.907381543, -0.3821816886, 0.07924785211, -0.01571236482, 0.002932347962),
)
_R514A_BUBBLE: Final = _Curve(
    10.5935,
    368.496,
    (81.4988332, 39.08628734, 4.760955966, 0.4983983022, 0.03684881275, 0.001374465456),
    (-1.762588533, 1.907858121, -0.3800083797, 0.07690970117, -0.0142726232, 0.002464849003),
)
# a pure refrigerant has one curve: dew and bubble are the same
_CURVES: Final[dict[str, tuple[_Curve, _Curve]]] = {
    "R-134a": (_R134A, _R134A),
    "R-513A": (_R513A_DEW, _R513A_BUBBLE),
    "R-1234ze(E)": (_R1234ZE, _R1234ZE),
    "R-1233zd(E)": (_R1233ZD, _R1233ZD),
    "R-123": (_R123, _R123),
    "R-514A": (_R514A_DEW, _R514A_BUBBLE),
}
REFRIGERANTS: Final = tuple(_CURVES)
ESTIMATED: Final = {"R-514A": "estimate: its pressures may be 2 % off, its temperatures 0.6 K"}
"""Refrigerants whose curve is the estimate of a mixture model -> the words that belong beside every number from it."""


def saturation_c(pressure_kpaa: Numeric, refrigerant: str, *, bubble: bool = False) -> Numeric:
    """Return the saturation temperature of a refrigerant at an absolute pressure.

    Reading a gauge pressure as absolute is worth 4 K on an R-134a condenser and 9 K on
    its evaporator; ``absolute_kpaa`` turns one into the other.

    Shape
        Scalar or series of pressures in, the same out.

    Parameters
        pressure_kpaa   absolute, that of -20..70 °C                     [kPa abs]
        refrigerant     as in ``REFRIGERANTS``                           [name]
        bubble          True: bubble point (liquid); False: dew point    [yes/no]

    Returns
        temperature     NaN where the pressure is NaN                    [°C]

    Errors
        OutsideSourceRange   pressure beyond the fit, or a refrigerant without one.

    Source
        Fit to the equations of state in CoolProp 8.0.0, within 0.005 K; other equations
        differ by up to 0.15 K; R-514A is an estimate by a mixture model, 2 % of pressure
        (tests/standards/test_refrigerant.py, tests/standards/test_property_errors.py).

    >>> round(saturation_c(414.6, "R-134a"))
    10
    """
    curve = _curve(refrigerant, bubble=bubble)
    pressure = within(pressure_kpaa, curve.low_kpaa, curve.high_kpaa, f"{refrigerant} pressure, kPa abs,")
    return polynomial(curve.temperature_c, log(pressure / _PIVOT_KPAA))


def saturation_pressure_kpaa(temperature_c: Numeric, refrigerant: str, *, bubble: bool = False) -> Numeric:
    """Return the pressure at which a refrigerant boils at a temperature.

    Shape
        Scalar or series of temperatures in, the same out.

    Parameters
        temperature_c   -20..70                                          [°C]
        refrigerant     as in ``REFRIGERANTS``                           [name]
        bubble          True: bubble point (liquid); False: dew point    [yes/no]

    Returns
        pressure        NaN where the temperature is NaN                 [kPa abs]

    Errors
        OutsideSourceRange   temperature beyond the fit, or a refrigerant without one.

    Source
        Fit to the equations of state in CoolProp 8.0.0, within 0.01 %; R-514A is an
        estimate by a mixture model, 2 % (tests/standards/test_refrigerant.py,
        tests/standards/test_property_errors.py).

    >>> round(saturation_pressure_kpaa(10.0, "R-134a"))
    415
    """
    curve = _curve(refrigerant, bubble=bubble)
    temperature = within(temperature_c, LOW_C, HIGH_C, f"{refrigerant} temperature, °C,")
    return _PIVOT_KPAA * exp(polynomial(curve.log_pressure, (temperature - _PIVOT_C) / _SCALE_K))


def saturation_at_altitude_c(
    gauge_kpag: Numeric, altitude_m: float, refrigerant: str, *, bubble: bool = False
) -> Numeric:
    """Return the saturation temperature of a refrigerant at a gauge pressure, by the altitude of the site.

    With a barometer ``absolute_kpaa`` and ``saturation_c`` are nearer: weather (3 kPa) moves an
    evaporator of R-1233zd(E) by 1.2 K, one of R-134a by 0.25 K.

    Shape
        Scalar or series of pressures in, the same out; the altitude is one number.

    Parameters
        gauge_kpag      gauge reading; a vacuum is negative              [kPa gauge]
        altitude_m      above sea level, -500..11 000                    [m]
        refrigerant     as in ``REFRIGERANTS``                           [name]
        bubble          True: bubble point (liquid); False: dew point    [yes/no]

    Returns
        temperature     NaN where the pressure is NaN                    [°C]

    Errors
        OutsideSourceRange   pressure beyond the fit, an altitude outside, or a
                             refrigerant without a fit.

    Source
        ``saturation_c`` at gauge plus ``standard_pressure_kpaa``
        (tests/standards/test_refrigerant.py).

    >>> round(saturation_at_altitude_c(300.0, 0.0, "R-134a"))
    9
    """
    station: Any = standard_pressure_kpaa(altitude_m)
    pressure = cast("Numeric", absolute_kpaa(gauge_kpag, station))
    return saturation_c(pressure, refrigerant, bubble=bubble)


def absolute_kpaa(gauge_kpag: Numeric, station_kpaa: Numeric) -> Numeric:
    """Return the absolute pressure of a gauge reading.

    Shape
        Scalars or series of one length in, the same out.

    Parameters
        gauge_kpag      gauge reading; a vacuum is negative              [kPa gauge]
        station_kpaa    air pressure at the gauge, not reduced to sea
                        level                                            [kPa abs]

    Returns
        pressure        NaN where any input is NaN                       [kPa abs]

    Errors
        None: every real number has an answer.

    Source
        Definition (tests/unit/test_calcs_refrigerant.py).

    >>> absolute_kpaa(300.0, 100.0)
    400.0
    """
    return gauge_kpag + station_kpaa


def _curve(refrigerant: str, *, bubble: bool) -> _Curve:
    if refrigerant not in _CURVES:
        raise OutsideSourceRange(f"no saturation data for '{refrigerant}'; known: {', '.join(REFRIGERANTS)}")
    return _CURVES[refrigerant][bubble]
