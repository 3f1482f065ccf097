"""What a tower should do: the variable-speed correlation, and Merkel's number."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING, Any, Final, cast

from plantview.calcs._numeric import polynomial, quotient, within
from plantview.calcs.air import SEA_LEVEL_KPAA, saturated_humidity_ratio

if TYPE_CHECKING:
    from plantview.calcs._numeric import Numeric

# c[9l + 3r + w] of (water ratio / air ratio)^l · range^r · wet bulb^w
COEFFICIENTS: Final = (
    -0.359741205, -0.055053608, 0.0023850432,
    0.173926877, -0.0248473764, 0.00048430224,
    -0.005589849456, 0.0005770079712, -0.00001342427256,
    2.84765801111111, -0.121765149, 0.0014599242,
    1.680428651, -0.0166920786, -0.0007190532,
    -0.025485194448, 0.0000487491696, 0.00002719234152,
    -0.0653766255555556, -0.002278167, 0.0002500254,
    -0.0910565458, 0.00318176316, 0.000038621772,
    -0.0034285382352, 0.00000856589904, -0.000001516821552,
)  # fmt: skip
WET_BULB_C: Final = (-34.4, 26.7)
RANGE_K: Final = (1.1, 22.2)
WATER_RATIO: Final = (0.75, 1.25)
AIR_RATIO: Final = (0.2, 1.0)
"""Below the fan's least speed another law holds (free convection), which is not in here."""
_KJ_KG_PER_BTU_LB: Final = 2.326
_WATER_CP_KJ_KG_K: Final = 1.8 * _KJ_KG_PER_BTU_LB
"""1 Btu/lb·°F, as Merkel numbers are tabulated."""
_INTERVALS: Final = 40
"""Of Simpson's rule: finer ones move no digit that is shown."""


def variable_speed_approach_k(
    range_k: Numeric, wet_bulb_c: Numeric, water_ratio: Numeric, air_ratio: Numeric
) -> Numeric:
    """Return the approach of the published variable-speed tower.

    At one range the approach grows as the wet bulb falls: a fixed limit on the approach is
    wrong in every season but one. A real tower has the shape and not the numbers: scale
    it to its own data.

    Shape
        Scalars or series of one length in, the same out.

    Parameters
        range_k         entering less leaving water, 1.1..22.2           [K]
        wet_bulb_c      -34.4..26.7                                      [°C]
        water_ratio     water flow / design water flow, 0.75..1.25       [1]
        air_ratio       air flow / design air flow, 0.2..1.0             [1]

    Returns
        approach        NaN where any input is NaN                       [K]

    Errors
        OutsideSourceRange   an input beyond the correlation's range.

    Source
        EnergyPlus Engineering Reference, variable-speed cooling tower, first published
        coefficient set (tests/standards/test_tower_model.py).

    >>> round(variable_speed_approach_k(5.56, 25.56, 1.0, 1.0), 4)
    3.8425
    """
    wet = within(wet_bulb_c, *WET_BULB_C, "wet bulb, °C,")
    across = within(range_k, *RANGE_K, "range, K,")
    water = within(water_ratio, *WATER_RATIO, "water flow ratio")
    ratio = quotient(water, within(air_ratio, *AIR_RATIO, "air flow ratio"), "air flow ratio")
    total: Any = 0.0
    for power in reversed(range(3)):
        of_range: Any = 0.0
        for step in reversed(range(3)):
            first = 9 * power + 3 * step
            of_range = of_range * across + polynomial(COEFFICIENTS[first : first + 3], wet)
        total = total * ratio + of_range
    return cast("Numeric", total)


def merkel_number(
    entering_c: Numeric,
    leaving_c: Numeric,
    wet_bulb_c: Numeric,
    water_to_air: Numeric,
    station_kpaa: float = SEA_LEVEL_KPAA,
) -> Numeric:
    """Return KaV/L, the size of tower that cools water so far in air of this wet bulb.

    For comparison with a maker's curve; plantview watches no live value by it.

    Shape
        Scalars or series of one length in, the same out; the pressure is one number.

    Parameters
        entering_c      water entering the tower (CWR)                   [°C]
        leaving_c       water leaving the tower (CWS)                    [°C]
        wet_bulb_c      of the entering air                              [°C]
        water_to_air    water mass flow / air mass flow (L/G), above 0   [1]
        station_kpaa    air pressure on site                             [kPa abs]

    Returns
        number          NaN where any input is NaN                       [1]

    Errors
        OutsideSourceRange   somewhere in the fill the air would hold as much heat as
                             the water's surface: no tower does that.

    Source
        Merkel's equation ∫ cp dT / (hs - ha), Simpson's rule; saturated air after ASHRAE
        Handbook - Fundamentals (2017), ch. 1, eq. 30 in its inch-pound form, in which tower
        curves are drawn; the SI form gives 0.1 % less (tests/standards/test_tower_model.py).

    >>> round(merkel_number(35.0, 29.44, 25.56, 1.2), 2)
    1.19
    """
    ratio = within(water_to_air, 1e-9, math.inf, "water to air ratio")
    across = entering_c - leaving_c
    air = _saturated_heat_kj_kg(wet_bulb_c, station_kpaa)
    total: Any = 0.0
    for step in range(_INTERVALS + 1):
        weight = 1.0 if step in (0, _INTERVALS) else 4.0 if step % 2 else 2.0
        at = step / _INTERVALS
        surface = _saturated_heat_kj_kg(leaving_c + at * across, station_kpaa)
        force = surface - air - ratio * _WATER_CP_KJ_KG_K * at * across
        total = total + quotient(weight * across**0, within(force, 1e-9, math.inf, "enthalpy difference, kJ/kg,"), "it")
    return cast("Numeric", _WATER_CP_KJ_KG_K * across * total / (3.0 * _INTERVALS))


def _saturated_heat_kj_kg(temperature_c: Numeric, station_kpaa: float) -> Numeric:
    fahrenheit = 1.8 * temperature_c + 32.0
    moisture: Any = saturated_humidity_ratio(temperature_c, station_kpaa + 0.0 * temperature_c)
    return cast("Numeric", _KJ_KG_PER_BTU_LB * (0.240 * fahrenheit + moisture * (1_061.0 + 0.444 * fahrenheit)))
