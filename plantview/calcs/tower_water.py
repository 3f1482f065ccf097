"""The water a tower loses: evaporation, blow-down, make-up, cycles of concentration."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING, Any, Final, cast

from plantview.calcs._numeric import choose, quotient, within
from plantview.calcs.air import (
    humidity_ratio_of_wet_bulb,
    moist_air_enthalpy_kj_kg,
    saturated_enthalpy_kj_kg,
    saturated_humidity_ratio,
)

if TYPE_CHECKING:
    from plantview.calcs._numeric import Numeric

_WATER_CP_KJ_KG_K: Final = 4.1868
_BISECTIONS: Final = 40
_EXIT_C: Final = (-40.0, 60.0)
"""Where the temperature of the leaving air is looked for: as far as its properties are known."""


def evaporation_rule_l_s(flow_l_s: Numeric, range_k: Numeric) -> Numeric:
    """Return the evaporation by the rule of the trade: 1 % of the flow for every 10 °F of range.

    It counts all heat as latent and reads high in cold air.

    Shape
        Scalars or series of one length in, the same out.

    Parameters
        flow_l_s    water over the tower                                 [L/s]
        range_k     entering less leaving water                          [K]

    Returns
        evaporation NaN where any input is NaN                           [L/s]

    Errors
        None: every real number has an answer.

    Source
        Common practice, no source: gpm × °F / 1000 (tests/standards/test_tower_water.py).

    >>> round(evaporation_rule_l_s(100.0, 5.0), 3)
    0.9
    """
    return flow_l_s * range_k * 1.8 / 1_000.0


def evaporation_l_s(
    flow_l_s: Numeric,
    range_k: Numeric,
    dry_bulb_c: Numeric,
    wet_bulb_c: Numeric,
    water_to_air: Numeric,
    station_kpaa: Numeric,
) -> Numeric:
    """Return the evaporation of a tower whose air leaves saturated.

    Shape
        Scalars or series of one length in, the same out.

    Parameters
        flow_l_s        water over the tower                             [L/s]
        range_k         entering less leaving water, 0 or more           [K]
        dry_bulb_c      of the entering air                              [°C]
        wet_bulb_c      of the entering air                              [°C]
        water_to_air    water mass flow / air mass flow (L/G), above 0   [1]
        station_kpaa    air pressure on site                             [kPa abs]

    Returns
        evaporation     NaN where any input is NaN                       [L/s]

    Errors
        OutsideSourceRange   a negative range, no air, or air beyond the source, that leaves
                             above 60 °C among it.

    Source
        Heat and moisture balance of the air, ASHRAE Handbook - Fundamentals (2017), ch. 1;
        flow as mass, leaving air saturated (tests/standards/test_tower_water.py).

    >>> round(evaporation_l_s(100.0, 5.56, 35.0, 25.6, 1.2, 101.325), 2)
    1.04
    """
    ratio = within(water_to_air, 1e-9, math.inf, "water to air ratio")
    across = within(range_k, 0.0, 40.0, "range, K,")
    brought: Any = humidity_ratio_of_wet_bulb(dry_bulb_c, wet_bulb_c, station_kpaa)
    taken_up: Any = ratio * _WATER_CP_KJ_KG_K * across
    hottest: Any = _EXIT_C[1]
    most: Any = saturated_enthalpy_kj_kg(hottest, station_kpaa)
    spare = most - moist_air_enthalpy_kj_kg(dry_bulb_c, brought) - taken_up
    leaving: Any = most - within(
        spare, 0.0, math.inf, f"heat that air up to {_EXIT_C[1]:g} °C can still take up, kJ/kg,"
    )
    low, high = _EXIT_C[0] + 0.0 * leaving, _EXIT_C[1] + 0.0 * leaving
    for _ in range(_BISECTIONS):
        middle = (low + high) / 2.0
        cooler = saturated_enthalpy_kj_kg(middle, station_kpaa) < leaving
        low, high = choose(cooler, middle, low), choose(cooler, high, middle)
    left: Any = saturated_humidity_ratio(high, station_kpaa) - brought
    return cast("Numeric", flow_l_s / ratio * left)


def cycles_of_concentration(tower_us_cm: Numeric, makeup_us_cm: Numeric) -> Numeric:
    """Return how many times the tower's water is more concentrated than its make-up.

    Shape
        Scalars or series of one length in, the same out.

    Parameters
        tower_us_cm     conductivity of the tower's water                [µS/cm]
        makeup_us_cm    conductivity of the make-up, not 0               [µS/cm]

    Returns
        cycles          NaN where any input is NaN                       [1]

    Errors
        OutsideSourceRange   the make-up's conductivity is zero.

    Source
        Definition; equals make-up / (blow-down + drift) (tests/standards/test_tower_water.py).

    >>> cycles_of_concentration(1_600.0, 400.0)
    4.0
    """
    return quotient(tower_us_cm, makeup_us_cm, "conductivity of the make-up")


def blow_down_l_s(evaporation_l_s: Numeric, cycles: Numeric, drift_l_s: float = 0.0) -> Numeric:
    """Return the blow-down that holds the cycles of concentration.

    Negative: drift alone keeps the water thinner than asked for.

    Shape
        Scalars or series of one length in, the same out; drift is one number.

    Parameters
        evaporation_l_s evaporation                                      [L/s]
        cycles          cycles of concentration, above 1                 [1]
        drift_l_s       droplets carried away                            [L/s]

    Returns
        blow_down       NaN where any input is NaN                       [L/s]

    Errors
        OutsideSourceRange   cycles not above 1.

    Source
        Salt balance: E / (C - 1) - D (tests/standards/test_tower_water.py).

    >>> blow_down_l_s(30.0, 4.0)
    10.0
    """
    return evaporation_l_s / (within(cycles, 1.0 + 1e-9, 1e3, "cycles of concentration") - 1.0) - drift_l_s


def make_up_l_s(evaporation_l_s: Numeric, cycles: Numeric) -> Numeric:
    """Return the make-up that a tower needs.

    Measured make-up far from it for a day: a leak, an overflow, or a bleed that sticks.

    Shape
        Scalars or series of one length in, the same out.

    Parameters
        evaporation_l_s evaporation                                      [L/s]
        cycles          cycles of concentration, above 1                 [1]

    Returns
        make_up         NaN where any input is NaN                       [L/s]

    Errors
        OutsideSourceRange   cycles not above 1.

    Source
        Salt and water balance: E·C / (C - 1) (tests/standards/test_tower_water.py).

    >>> make_up_l_s(30.0, 4.0)
    40.0
    """
    return evaporation_l_s * quotient(cycles, within(cycles, 1.0 + 1e-9, 1e3, "cycles of concentration") - 1.0, "it")
