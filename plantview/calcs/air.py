"""Outdoor air: station pressure and wet bulb."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

from plantview.calcs._numeric import any_of, choose, exp, log, quotient, within

if TYPE_CHECKING:
    from plantview.calcs._numeric import Numeric

SEA_LEVEL_KPAA: Final = 101.325
_ZERO_K: Final = 273.15
_ROUNDS: Final = 8
"""Newton steps from the dry bulb down: the driest, hottest air accepted here settles in seven."""
_MOLAR_RATIO: Final = 0.621945
_WICK: Final = ((2_501.0, 2.326, 4.186), (2_830.0, 0.24, 2.1))
"""Over water and over ice: latent heat at 0 °C, its loss per kelvin, and the heat capacity of what evaporates."""
_OVER_ICE: Final = (-5.6745359e3, 6.3925247, -9.677843e-3, 6.2215701e-7, 2.0747825e-9, -9.484024e-13, 4.1635019)
_OVER_WATER: Final = (-5.8002206e3, 1.3914993, -4.8640239e-2, 4.1764768e-5, -1.4452093e-8, 0.0, 6.5459673)


def standard_pressure_kpaa(altitude_m: Numeric) -> Numeric:
    """Return the air pressure that a standard atmosphere has at an altitude.

    Weather moves the true pressure by about 3 kPa either way.

    Shape
        Scalar or series in, the same out.

    Parameters
        altitude_m  above sea level, -500..11 000                        [m]

    Returns
        pressure    NaN where the altitude is NaN                        [kPa abs]

    Errors
        OutsideSourceRange   altitude outside.

    Source
        ASHRAE Handbook - Fundamentals (2017), ch. 1, eq. 3; its table 1 to the last digit
        (tests/standards/test_air.py).

    >>> round(standard_pressure_kpaa(500.0), 3)
    95.461
    """
    ratio = 1.0 - 2.25577e-5 * within(altitude_m, -500.0, 11_000.0, "altitude, m,")
    return SEA_LEVEL_KPAA * exp(5.2559 * log(ratio))


def wet_bulb_c(dry_bulb_c: Numeric, humidity_pct: Numeric, station_kpaa: Numeric) -> Numeric:
    """Return the thermodynamic wet bulb of outdoor air.

    3 % of humidity is worth up to 0.7 K, as much as a tower approach is judged by.
    Ignoring an altitude of 1600 m is worth up to 1 K.

    Shape
        Scalars or series of one length in, the same out; a station pressure may stay
        one number beside series.

    Parameters
        dry_bulb_c      -40..60                                          [°C]
        humidity_pct    relative humidity, 0..100                        [%]
        station_kpaa    air pressure on site, 60..110                    [kPa abs]

    Returns
        wet_bulb        never above dry bulb; NaN where an input is NaN  [°C]

    Errors
        OutsideSourceRange   an input outside.

    Source
        ASHRAE Handbook - Fundamentals (2017), ch. 1, eq. 5, 6, 20, 33 and 35, solved by
        Newton's method; within 0.002 K of psychrolib, and, above 0 °C, within 0.03 K of
        CoolProp 8.0.0, which takes air as a real gas (tests/standards/test_air.py,
        tests/standards/test_property_errors.py).

    >>> round(wet_bulb_c(30.0, 100.0, 101.325), 3)
    30.0
    """
    dry_c = within(dry_bulb_c, -40.0, 60.0, "dry bulb, °C,")
    humidity = within(humidity_pct, 0.0, 100.0, "relative humidity, %,")
    pressure = within(station_kpaa, 60.0, 110.0, "station pressure, kPa abs,")
    moisture = _humidity_ratio(humidity / 100.0 * _vapour_pressure_kpa(dry_c), pressure)
    over_water = _solve(dry_c, moisture, pressure, 0)
    if not any_of(over_water < 0):
        return over_water
    # the wick freezes below 0 °C; the two branches cannot both claim the same moisture
    return choose(over_water >= 0, over_water, _solve(dry_c, moisture, pressure, 1))


def saturation_vapour_pressure_kpa(temperature_c: Numeric) -> Numeric:
    """Return the pressure of water vapour over water, or over ice below 0 °C.

    Shape
        Scalar or series in, the same out.

    Parameters
        temperature_c   -100..200                                        [°C]

    Returns
        pressure        NaN where the temperature is NaN                 [kPa abs]

    Errors
        OutsideSourceRange   temperature outside.

    Source
        ASHRAE Handbook - Fundamentals (2017), ch. 1, eq. 5 and 6; over water the print is
        within 0.023 % of IAPWS-95 (tests/standards/test_air.py,
        tests/standards/test_property_errors.py).

    >>> round(saturation_vapour_pressure_kpa(25.0), 3)
    3.169
    """
    return _vapour_pressure_kpa(within(temperature_c, -100.0, 200.0, "temperature, °C,"))


def saturated_humidity_ratio(temperature_c: Numeric, station_kpaa: Numeric) -> Numeric:
    """Return the water that saturated air holds.

    Shape
        Scalars or series of one length in, the same out.

    Parameters
        temperature_c   -40..60                                          [°C]
        station_kpaa    air pressure on site, 60..110                    [kPa abs]

    Returns
        ratio           NaN where an input is NaN                        [kg/kg dry air]

    Errors
        OutsideSourceRange   an input outside.

    Source
        ASHRAE Handbook - Fundamentals (2017), ch. 1, eq. 20 and 21
        (tests/standards/test_air.py).

    >>> round(saturated_humidity_ratio(25.0, 101.325), 4)
    0.0201
    """
    at_c = within(temperature_c, -40.0, 60.0, "temperature, °C,")
    return _humidity_ratio(_vapour_pressure_kpa(at_c), within(station_kpaa, 60.0, 110.0, "station pressure, kPa abs,"))


def humidity_ratio_of_wet_bulb(dry_bulb_c: Numeric, wet_bulb_c: Numeric, station_kpaa: Numeric) -> Numeric:
    """Return the water that air of known dry and wet bulb holds.

    Shape
        Scalars or series of one length in, the same out.

    Parameters
        dry_bulb_c      -40..60                                          [°C]
        wet_bulb_c      -40..60, not above dry bulb                      [°C]
        station_kpaa    air pressure on site, 60..110                    [kPa abs]

    Returns
        ratio           NaN where an input is NaN                        [kg/kg dry air]

    Errors
        OutsideSourceRange   an input outside, or a wet bulb above dry bulb.

    Source
        ASHRAE Handbook - Fundamentals (2017), ch. 1, eq. 33 and 35
        (tests/standards/test_air.py).

    >>> round(humidity_ratio_of_wet_bulb(30.0, 25.0, 101.325), 4)
    0.018
    """
    dry_c = within(dry_bulb_c, -40.0, 60.0, "dry bulb, °C,")
    wet_c = within(wet_bulb_c, -40.0, 60.0, "wet bulb, °C,")
    depression = within(dry_c - wet_c, 0.0, 100.0, "dry bulb less wet bulb, K,")
    wet_c = choose(depression >= 0, wet_c, depression)
    pressure = within(station_kpaa, 60.0, 110.0, "station pressure, kPa abs,")
    over_water = _moisture_at(dry_c, wet_c, pressure, 0)
    return choose(wet_c >= 0, over_water, _moisture_at(dry_c, wet_c, pressure, 1))


def saturated_enthalpy_kj_kg(temperature_c: Numeric, station_kpaa: Numeric) -> Numeric:
    """Return the heat that saturated air holds above dry air of 0 °C.

    Shape
        Scalars or series of one length in, the same out.

    Parameters
        temperature_c   -40..60                                          [°C]
        station_kpaa    air pressure on site, 60..110                    [kPa abs]

    Returns
        enthalpy        NaN where an input is NaN                        [kJ/kg dry air]

    Errors
        OutsideSourceRange   an input outside.

    Source
        ASHRAE Handbook - Fundamentals (2017), ch. 1, eq. 30
        (tests/standards/test_air.py).

    >>> round(saturated_enthalpy_kj_kg(25.0, 101.325), 1)
    76.3
    """
    return moist_air_enthalpy_kj_kg(temperature_c, saturated_humidity_ratio(temperature_c, station_kpaa))


def moist_air_enthalpy_kj_kg(dry_bulb_c: Numeric, humidity_ratio: Numeric) -> Numeric:
    """Return the heat that air and its water vapour hold above dry air of 0 °C.

    Shape
        Scalars or series of one length in, the same out.

    Parameters
        dry_bulb_c      temperature                                      [°C]
        humidity_ratio  water in the air                                 [kg/kg dry air]

    Returns
        enthalpy        NaN where an input is NaN                        [kJ/kg dry air]

    Errors
        None: every real number has an answer.

    Source
        ASHRAE Handbook - Fundamentals (2017), ch. 1, eq. 30
        (tests/standards/test_air.py).

    >>> round(moist_air_enthalpy_kj_kg(30.0, 0.010), 1)
    55.7
    """
    return 1.006 * dry_bulb_c + humidity_ratio * (2_501.0 + 1.86 * dry_bulb_c)


def _solve(dry_c: Numeric, moisture: Numeric, pressure: Numeric, phase: int) -> Numeric:
    """Return where the heat balance of the wick closes; it bends one way only, so that no step goes too far."""
    latent, slope, liquid = _WICK[phase]
    wet_c = dry_c + 0.0 * moisture
    for _ in range(_ROUNDS):
        vapour_kpa, steepness = _vapour(wet_c)
        saturated = _humidity_ratio(vapour_kpa, pressure)
        over = (latent - slope * wet_c) * saturated - 1.006 * (dry_c - wet_c)
        over = over - moisture * (latent + 1.86 * dry_c - liquid * wet_c)
        rise = (latent - slope * wet_c) * saturated * steepness * (1.0 + saturated / _MOLAR_RATIO)
        wet_c = wet_c - over / (rise - slope * saturated + 1.006 + liquid * moisture)
    return choose(wet_c > dry_c, dry_c, wet_c)


def _moisture_at(dry_c: Numeric, wet_c: Numeric, pressure: Numeric, phase: int) -> Numeric:
    """Return the humidity ratio of air with this dry and wet bulb, over water (0) or ice (1)."""
    latent, slope, liquid = _WICK[phase]
    saturated = _humidity_ratio(_vapour_pressure_kpa(wet_c), pressure)
    heat = (latent - slope * wet_c) * saturated - 1.006 * (dry_c - wet_c)
    return heat / (latent + 1.86 * dry_c - liquid * wet_c)


def _humidity_ratio(vapour_kpa: Numeric, pressure: Numeric) -> Numeric:
    return _MOLAR_RATIO * quotient(vapour_kpa, pressure - vapour_kpa, "dry air pressure")


def _vapour_pressure_kpa(temperature_c: Numeric) -> Numeric:
    """Return the saturation pressure, over ice below 0 °C (eq. 5) and over water above it (eq. 6)."""
    return _vapour(temperature_c)[0]


def _vapour(temperature_c: Numeric) -> tuple[Numeric, Numeric]:
    """Return the saturation pressure, kPa, and the share of itself by which it rises per kelvin."""
    kelvin = temperature_c + _ZERO_K
    logarithm = log(kelvin)
    powers, slope = _log_pressure(kelvin, logarithm, _OVER_WATER)
    if any_of(temperature_c < 0):
        frozen, of_frozen = _log_pressure(kelvin, logarithm, _OVER_ICE)
        powers, slope = choose(temperature_c < 0, frozen, powers), choose(temperature_c < 0, of_frozen, slope)
    return exp(powers) / 1_000.0, slope


def _log_pressure(kelvin: Numeric, logarithm: Numeric, c: tuple[float, ...]) -> tuple[Numeric, Numeric]:
    """Return the logarithm of the pressure in Pa and its slope per kelvin."""
    powers = c[1] + kelvin * (c[2] + kelvin * (c[3] + kelvin * (c[4] + kelvin * c[5])))
    slopes = c[2] + kelvin * (2.0 * c[3] + kelvin * (3.0 * c[4] + kelvin * 4.0 * c[5]))
    return c[0] / kelvin + powers + c[6] * logarithm, (c[6] - c[0] / kelvin) / kelvin + slopes
