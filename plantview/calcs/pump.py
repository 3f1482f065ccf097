"""Pump power and what speed does to it."""

from __future__ import annotations

from typing import TYPE_CHECKING

from plantview.calcs._numeric import quotient

if TYPE_CHECKING:
    from plantview.calcs._numeric import Numeric


def hydraulic_power_kw(flow_l_s: Numeric, head_kpa: Numeric) -> Numeric:
    """Return the power that a pump gives to the water.

    Shape
        Scalars or series of one length in, the same out.

    Parameters
        flow_l_s    water flow                                           [L/s]
        head_kpa    pressure rise, discharge less suction                [kPa]

    Returns
        power       NaN where any input is NaN                           [kW]

    Errors
        None: every real number has an answer.

    Source
        Definition: flow × pressure rise (tests/standards/test_pump.py).

    >>> hydraulic_power_kw(100.0, 250.0)
    25.0
    """
    return flow_l_s * head_kpa / 1_000.0


def wire_to_water_pct(flow_l_s: Numeric, head_kpa: Numeric, power_kw: Numeric) -> Numeric:
    """Return the part of a pump's electric power that arrives in the water.

    Above about 85: a meter is off (common practice, no source).

    Shape
        Scalars or series of one length in, the same out.

    Parameters
        flow_l_s    water flow                                           [L/s]
        head_kpa    pressure rise, discharge less suction                [kPa]
        power_kw    electric power of motor and drive, not 0             [kW]

    Returns
        efficiency  NaN where any input is NaN                           [%]

    Errors
        OutsideSourceRange   the power is zero.

    Source
        Definition (tests/standards/test_pump.py).

    >>> wire_to_water_pct(100.0, 250.0, 40.0)
    62.5
    """
    return quotient(100.0 * hydraulic_power_kw(flow_l_s, head_kpa), power_kw, "power")


def affinity_flow_l_s(flow_l_s: Numeric, speed_ratio: Numeric) -> Numeric:
    """Return a pump's flow at another speed, in a system whose valves stand still.

    Shape
        Scalars or series of one length in, the same out.

    Parameters
        flow_l_s        flow at the known speed                          [L/s]
        speed_ratio     new speed / known speed                          [1]

    Returns
        flow            NaN where any input is NaN                       [L/s]

    Errors
        None: every real number has an answer.

    Source
        Affinity law, flow ~ speed; only for a fixed system curve without static head
        (tests/standards/test_pump.py).

    >>> affinity_flow_l_s(100.0, 0.8)
    80.0
    """
    return flow_l_s * speed_ratio


def affinity_head_kpa(head_kpa: Numeric, speed_ratio: Numeric) -> Numeric:
    """Return a pump's head at another speed, in a system whose valves stand still.

    Shape
        Scalars or series of one length in, the same out.

    Parameters
        head_kpa        head at the known speed                          [kPa]
        speed_ratio     new speed / known speed                          [1]

    Returns
        head            NaN where any input is NaN                       [kPa]

    Errors
        None: every real number has an answer.

    Source
        Affinity law, head ~ speed²; limits as for flow (tests/standards/test_pump.py).

    >>> affinity_head_kpa(200.0, 0.5)
    50.0
    """
    return head_kpa * speed_ratio**2


def affinity_power_kw(power_kw: Numeric, speed_ratio: Numeric) -> Numeric:
    """Return a pump's or fan's power at another speed, in a system whose valves stand still.

    In the field the exponent is nearer 2.5 to 2.8 (common practice, no source).

    Shape
        Scalars or series of one length in, the same out.

    Parameters
        power_kw        power at the known speed                         [kW]
        speed_ratio     new speed / known speed                          [1]

    Returns
        power           NaN where any input is NaN                       [kW]

    Errors
        None: every real number has an answer.

    Source
        Affinity law, power ~ speed³; limits as for flow (tests/standards/test_pump.py).

    >>> affinity_power_kw(40.0, 0.5)
    5.0
    """
    return power_kw * speed_ratio**3
