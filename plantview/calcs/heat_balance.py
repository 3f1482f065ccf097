"""Whether the heat that goes into a chiller comes out of it."""

from __future__ import annotations

from typing import TYPE_CHECKING

from plantview.calcs._numeric import quotient, within

if TYPE_CHECKING:
    from plantview.calcs._numeric import Numeric


def heat_balance_pct(cooling_kw: Numeric, power_kw: Numeric, rejection_kw: Numeric) -> Numeric:
    """Return how far cooling plus power exceeds the heat rejected, as part of the heat rejected.

    A balance that is off says that a flow, temperature or power reading is off, and not
    which. Water properties by the rule of 24 alone create about -0.8 %.

    Shape
        Scalars or series of one length in, the same out.

    Parameters
        cooling_kw      evaporator heat                                  [kW]
        power_kw        power that ends in the refrigerant: input of a
                        hermetic machine, input × motor efficiency of an
                        open drive                                       [kW]
        rejection_kw    condenser heat, not 0                            [kW]

    Returns
        balance         positive: too little heat found in the condenser
                        water; NaN where any input is NaN                [%]

    Errors
        OutsideSourceRange   the heat rejected is zero.

    Source
        100 (Qe + W - Qc) / Qc, the form of ASHRAE RP-1043's logged column
        (tests/standards/test_heat_balance.py).

    >>> heat_balance_pct(1000.0, 200.0, 1200.0)
    0.0
    """
    return quotient(100.0 * (cooling_kw + power_kw - rejection_kw), rejection_kw, "heat rejected")


def heat_balance_tolerance_pct(load_pct: Numeric, design_delta_t_k: float) -> Numeric:
    """Return the balance error that is still normal at a load; a flat 5 % would be wrong at part load.

    Shape
        Scalar or series in, the same out.

    Parameters
        load_pct            part of full load, above 0..150              [%]
        design_delta_t_k    chilled water difference at full load,
                            above 0..30                                  [K]

    Returns
        tolerance           plus or minus; NaN where the load is NaN     [%]

    Errors
        OutsideSourceRange   load or difference outside.

    Source
        10.5 - 0.07 L + 1500 / (ΔT·L) with ΔT in °F: ARI Standard 550/590 of 1998 and
        2003, from memory; ASHRAE RP-1043's logged tolerance follows the form
        (tests/standards/test_heat_balance.py).

    >>> round(heat_balance_tolerance_pct(50.0, 10 / 1.8), 6)
    10.0
    """
    load = within(load_pct, 0.1, 150.0, "load, %,")
    delta_t_f = within(design_delta_t_k, 0.1, 30.0, "design difference, K,") * 1.8
    return 10.5 - 0.07 * load + quotient(1_500.0 / delta_t_f * load**0, load, "load")


def open_drive_power_kw(power_kw: Numeric, motor_pct: Numeric) -> Numeric:
    """Return the part of an open-drive machine's input that ends in the refrigerant.

    The motor's loss stays in the machine room. Of a hermetic machine all input counts.

    Shape
        Scalars or series of one length in, the same out.

    Parameters
        power_kw    electric power of the motor                          [kW]
        motor_pct   motor efficiency                                     [%]

    Returns
        power       NaN where any input is NaN                           [kW]

    Errors
        None: every real number has an answer.

    Source
        Definition: power × motor efficiency (tests/standards/test_heat_balance.py).

    >>> open_drive_power_kw(100.0, 90.0)
    90.0
    """
    return power_kw * motor_pct / 100.0
