"""How much heat moving water carries: the exact balance and the rule of the trade."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

from plantview.calcs.water import density_kg_m3, enthalpy_kj_kg

if TYPE_CHECKING:
    from plantview.calcs._numeric import Numeric

KW_PER_TON: Final = 12_000 * 1.05505585262 / 3_600
"""A ton of refrigeration is 12,000 Btu (International Table) an hour: 3.516853 kW."""


def water_heat_kw(
    flow_l_s: Numeric, cold_c: Numeric, hot_c: Numeric, meter_c: Numeric, fluid: str = "water"
) -> Numeric:
    """Return the heat that a water flow takes up between two temperatures.

    Shape
        Scalars or series of one length in, the same out.

    Parameters
        flow_l_s    flow as the meter reads it                           [L/s]
        cold_c      temperature before it takes up heat                  [°C]
        hot_c       temperature afterwards                               [°C]
        meter_c     temperature at the flow meter: one of the two        [°C]
        fluid       ``water``, or such as ``MEG 25 %`` (mass)            [name]

    Returns
        heat        negative where hot is colder than cold; NaN where
                    any input is NaN                                     [kW]

    Errors
        OutsideSourceRange   a temperature beyond the source (water 0..60 °C).

    Source
        Flow × density at the meter × difference of enthalpy; IAPWS-95 at 400 kPa,
        within 0.01 % (tests/standards/test_load.py).

    >>> round(water_heat_kw(100.0, 7.0, 12.0, 7.0))
    2098
    """
    mass_kg_s = flow_l_s * density_kg_m3(meter_c, fluid) / 1_000.0
    return mass_kg_s * (enthalpy_kj_kg(hot_c, fluid) - enthalpy_kj_kg(cold_c, fluid))


def cooling_load_kw(flow_l_s: Numeric, supply_c: Numeric, return_c: Numeric, fluid: str = "water") -> Numeric:
    """Return the cooling that a chilled-water circuit delivers.

    A circuit that reads colder in the return than in the supply gives a negative
    load: swapped sensors or a standing loop, not an error here.

    Shape
        Scalars or series of one length in, the same out.

    Parameters
        flow_l_s    water flow, taken as metered in the supply leg       [L/s]
        supply_c    water leaving the chiller (CHWS)                     [°C]
        return_c    water entering the chiller (CHWR)                    [°C]
        fluid       ``water``, or such as ``MEG 25 %`` (mass)            [name]

    Returns
        load        NaN where any input is NaN                           [kW]

    Errors
        OutsideSourceRange   a temperature beyond the source (water 0..60 °C).

    Source
        ``water_heat_kw``; a meter in the return leg changes it by 0.05 %
        (tests/standards/test_load.py).

    >>> round(cooling_load_kw(100.0, 7.0, 12.0))
    2098
    """
    return water_heat_kw(flow_l_s, supply_c, return_c, supply_c, fluid)


def heat_rejection_kw(flow_l_s: Numeric, entering_c: Numeric, leaving_c: Numeric, fluid: str = "water") -> Numeric:
    """Return the heat that a condenser gives to its water.

    Shape
        Scalars or series of one length in, the same out.

    Parameters
        flow_l_s    water flow, taken as metered in the supply leg       [L/s]
        entering_c  water entering the condenser (CWS)                   [°C]
        leaving_c   water leaving the condenser (CWR)                    [°C]
        fluid       ``water``, or such as ``MEG 25 %`` (mass)            [name]

    Returns
        heat        negative where CWR is colder than CWS; NaN where
                    any input is NaN                                     [kW]

    Errors
        OutsideSourceRange   a temperature beyond the source (water 0..60 °C).

    Source
        ``water_heat_kw``; a meter in the return leg changes it by 0.17 %
        (tests/standards/test_load.py).

    >>> round(heat_rejection_kw(100.0, 30.0, 35.0))
    2081
    """
    return water_heat_kw(flow_l_s, entering_c, leaving_c, entering_c, fluid)


def rule_of_24_tons(flow_gpm: Numeric, difference_f: Numeric) -> Numeric:
    """Return the cooling load by the rule of the trade, gpm × °F / 24.

    On chilled water it reads about 0.35 % low, on condenser water 0.45 % high.

    Shape
        Scalars or series of one length in, the same out.

    Parameters
        flow_gpm        water flow                                       [US gpm]
        difference_f    temperature difference                           [°F]

    Returns
        load            NaN where any input is NaN                       [tons]

    Errors
        None: every real number has an answer.

    Source
        Common practice, no source: 500 Btu/h per gpm·°F over 12,000 Btu/h per ton;
        water only (tests/standards/test_load.py).

    >>> rule_of_24_tons(2400.0, 10.0)
    1000.0
    """
    return flow_gpm * difference_f / 24.0


def tons(heat_kw: Numeric) -> Numeric:
    """Return a heat flow in tons of refrigeration.

    Shape
        Scalar or series in, the same out.

    Parameters
        heat_kw     heat flow                                            [kW]

    Returns
        heat        NaN where the input is NaN                           [tons]

    Errors
        None: every real number has an answer.

    Source
        Definition: 12,000 Btu (International Table) an hour (tests/unit/test_calcs_load.py).

    >>> round(tons(3516.85), 1)
    1000.0
    """
    return heat_kw / KW_PER_TON
