"""Heat exchangers and coils: mean temperature difference, UA, effectiveness."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING, Any, cast

import numpy as np

from plantview.calcs._numeric import choose, is_number, log, quotient, within

if TYPE_CHECKING:
    from plantview.calcs._numeric import Numeric

_NEARLY_EQUAL: float = 1e-6
"""Two end differences this near to each other have their mean for log mean; the error is below 1e-12."""


def log_mean_difference_k(one_end_k: Numeric, other_end_k: Numeric) -> Numeric:
    """Return the log mean of the temperature differences at the two ends of an exchanger.

    Of an evaporator or condenser: leaving approach at one end, water ΔT more at the other.

    Shape
        Scalars or series of one length in, the same out.

    Parameters
        one_end_k       difference at one end, above 0                   [K]
        other_end_k     difference at the other end, above 0             [K]

    Returns
        difference      NaN where any input is NaN                       [K]

    Errors
        OutsideSourceRange   a difference that is not above 0: the temperatures cross.

    Source
        Definition: (a - b) / ln(a / b), counterflow or one side at one temperature
        (tests/standards/test_exchange.py).

    >>> round(log_mean_difference_k(10.0, 20.0), 3)
    14.427
    """
    one = within(one_end_k, 1e-9, math.inf, "temperature difference at one end, K,")
    other = within(other_end_k, 1e-9, math.inf, "temperature difference at the other end, K,")
    equal = abs(one / other - 1.0) < _NEARLY_EQUAL
    # where the ends are equal the formula is 0 / 0; any other ratio stands in for it and is not used
    instead: Any = 2.0
    ratio = choose(equal, instead, one / other)
    return cast("Numeric", choose(equal, (one + other) / 2.0, other * (ratio - 1.0) / log(ratio)))


def conductance_kw_k(heat_kw: Numeric, difference_k: Numeric) -> Numeric:
    """Return UA, the heat an exchanger moves per kelvin of log mean difference.

    Falling at like flow: fouling, oil, or a part of the surface that sees no water.

    Shape
        Scalars or series of one length in, the same out.

    Parameters
        heat_kw         heat moved                                       [kW]
        difference_k    log mean difference, not 0                       [K]

    Returns
        ua              NaN where any input is NaN                       [kW/K]

    Errors
        OutsideSourceRange   the difference is zero.

    Source
        Definition: heat / log mean difference (tests/standards/test_exchange.py).

    >>> conductance_kw_k(2_000.0, 4.0)
    500.0
    """
    return quotient(heat_kw, difference_k, "log mean difference")


def exchanger_effectiveness_pct(
    warm_in_c: Numeric, warm_out_c: Numeric, cool_in_c: Numeric, warm_l_s: Numeric, cool_l_s: Numeric
) -> Numeric:
    """Return the heat that a water-to-water exchanger (economiser) moves as part of the most it could.

    Shape
        Scalars or series of one length in, the same out.

    Parameters
        warm_in_c       warm water in                                    [°C]
        warm_out_c      the same water out                               [°C]
        cool_in_c       cool water in                                    [°C]
        warm_l_s        flow of the warm side, above 0                   [L/s]
        cool_l_s        flow of the cool side, above 0                   [L/s]

    Returns
        effectiveness   NaN where any input is NaN                       [%]

    Errors
        OutsideSourceRange   both waters come in equally warm, or a flow is not above 0.

    Source
        Effectiveness-NTU method: heat / (smaller capacity rate × inlet difference), one heat
        capacity on both sides (tests/standards/test_exchange.py).

    >>> exchanger_effectiveness_pct(14.0, 8.0, 6.0, 50.0, 50.0)
    75.0
    """
    warm = within(warm_l_s, 1e-9, math.inf, "flow of the warm side, L/s,")
    cool = within(cool_l_s, 1e-9, math.inf, "flow of the cool side, L/s,")
    smaller = choose(warm <= cool, warm, cool)
    return quotient(100.0 * warm * (warm_in_c - warm_out_c), smaller * (warm_in_c - cool_in_c), "inlet difference")


def counterflow_effectiveness_pct(conductance_kw_k: Numeric, warm_kw_k: Numeric, cool_kw_k: Numeric) -> Numeric:
    """Return the effectiveness that a counterflow exchanger of known UA has at two capacity rates.

    Shape
        Scalars or series of one length in, the same out.

    Parameters
        conductance_kw_k    UA, 0 or more                                [kW/K]
        warm_kw_k           capacity rate of the warm side, above 0      [kW/K]
        cool_kw_k           capacity rate of the cool side, above 0      [kW/K]

    Returns
        effectiveness       NaN where any input is NaN                   [%]

    Errors
        OutsideSourceRange   a UA below 0 or a capacity rate that is not above 0.

    Source
        Effectiveness-NTU method, counterflow: (1 - e) / (1 - c·e) with e = exp(-NTU (1 - c)),
        NTU / (1 + NTU) for equal rates (tests/standards/test_exchange.py).

    >>> round(counterflow_effectiveness_pct(30.0, 10.0, 10.0), 3)
    75.0
    """
    warm = within(warm_kw_k, 1e-9, math.inf, "capacity rate of the warm side, kW/K,")
    cool = within(cool_kw_k, 1e-9, math.inf, "capacity rate of the cool side, kW/K,")
    smaller, larger = choose(warm <= cool, warm, cool), choose(warm <= cool, cool, warm)
    ratio, units = smaller / larger, within(conductance_kw_k, 0.0, math.inf, "UA, kW/K,") / smaller
    # written with the part that both sides of the fraction lose when the rates become equal
    lost: Any = -np.expm1(-units * (1.0 - ratio))
    apart = abs(1.0 - ratio) > _NEARLY_EQUAL
    unequal: Any = lost / choose(apart, 1.0 - ratio * (1.0 - lost), 1.0)
    found: Any = 100.0 * choose(apart, unequal, units / (1.0 + units))
    return cast("Numeric", float(found) if is_number(conductance_kw_k) and is_number(warm_kw_k) else found)


def coil_effectiveness_pct(entering_air_c: Numeric, leaving_air_c: Numeric, entering_water_c: Numeric) -> Numeric:
    """Return how near a coil brings the air to its water, as part of the way.

    Of a wet coil the dry bulb tells only the sensible part.

    Shape
        Scalars or series of one length in, the same out.

    Parameters
        entering_air_c      air into the coil                            [°C]
        leaving_air_c       air off the coil                             [°C]
        entering_water_c    water into the coil (CHWS)                   [°C]

    Returns
        effectiveness       NaN where any input is NaN                   [%]

    Errors
        OutsideSourceRange   air and water come in equally warm.

    Source
        Definition of air-side temperature effectiveness (tests/standards/test_exchange.py).

    >>> coil_effectiveness_pct(26.0, 13.0, 6.0)
    65.0
    """
    return quotient(
        100.0 * (entering_air_c - leaving_air_c), entering_air_c - entering_water_c, "entering air above entering water"
    )
