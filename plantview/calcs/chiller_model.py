"""What a chiller should draw: the Gordon-Ng model."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

from plantview.calcs._numeric import quotient

if TYPE_CHECKING:
    from plantview.calcs._numeric import Numeric

_ZERO_K: Final = 273.15


def gordon_ng_power_kw(
    chw_entering_c: Numeric, cw_entering_c: Numeric, load_kw: Numeric, entropy: float, leak_kw: float, resistance: float
) -> Numeric:
    """Return the power of a chiller by the three parameters that were fitted to its own data.

    It extrapolates well and follows closely nowhere: 4 % scatter on one laboratory machine.

    Shape
        Scalars or series of one length in, the same out; the parameters are one number each.

    Parameters
        chw_entering_c  water entering the evaporator (CHWR)             [°C]
        cw_entering_c   water entering the condenser (CWS)               [°C]
        load_kw         cooling load, not 0                              [kW]
        entropy         b0: internal entropy production                  [kW/K]
        leak_kw         b1: heat that leaks past                         [kW]
        resistance      b2: thermal resistance of both exchangers        [K/kW]

    Returns
        power           NaN where any input is NaN                       [kW]

    Errors
        OutsideSourceRange   the load is zero, or so large that the model has no answer.

    Source
        Gordon-Ng in the form of ASHRAE's fault detection work: Te/Tc (1 + 1/COP) - 1 =
        b0 Te/Q + b1 (Tc - Te) / (Tc Q) + b2 Q (1 + 1/COP) / Tc, from memory
        (tests/standards/test_chiller_model.py).

    >>> round(gordon_ng_power_kw(15.78, 29.56, 316.52, 0.0788867, 110.843, 0.0795598), 1)
    78.7
    """
    evaporator_k, condenser_k = chw_entering_c + _ZERO_K, cw_entering_c + _ZERO_K
    losses = entropy * evaporator_k + leak_kw * quotient(
        condenser_k - evaporator_k, condenser_k, "absolute condenser temperature"
    )
    above = 1.0 + quotient(losses, load_kw, "cooling load")
    below = (evaporator_k - resistance * load_kw) / condenser_k
    return load_kw * (quotient(above, below, "what the model divides by") - 1.0)
