"""Pump power and what speed does to it."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

from plantview.calcs._numeric import quotient
from plantview.calcs.air import saturation_vapour_pressure_kpa
from plantview.calcs.water import density_kg_m3

if TYPE_CHECKING:
    from plantview.calcs._numeric import Numeric

_GRAVITY_M_S2: Final = 9.80665


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


def npsh_available_m(station_kpaa: Numeric, static_m: Numeric, loss_m: Numeric, water_c: Numeric) -> Numeric:
    """Return the suction head that a pump has above boiling, from an open basin.

    Compare with the NPSH that the pump's own curve requires at this flow; a strainer that
    plugs takes it away at constant flow.

    Shape
        Scalars or series of one length in, the same out.

    Parameters
        station_kpaa    air pressure on the basin                        [kPa abs]
        static_m        water level above the pump's eye                 [m]
        loss_m          friction between basin and pump, metres of water [m]
        water_c         water temperature, 0..60                         [°C]

    Returns
        head            NaN where any input is NaN                       [m]

    Errors
        OutsideSourceRange   a temperature beyond the source.

    Source
        Definition: (air - vapour) / ρg + level - loss (tests/standards/test_pump.py).

    >>> round(npsh_available_m(101.325, 1.5, 1.2, 29.4), 1)
    10.3
    """
    above_boiling_kpa = station_kpaa - saturation_vapour_pressure_kpa(water_c)
    return above_boiling_kpa * 1_000.0 / (density_kg_m3(water_c) * _GRAVITY_M_S2) + static_m - loss_m


def pump_heat_kw(power_kw: Numeric, motor_pct: Numeric, pump_pct: Numeric) -> Numeric:
    """Return the heat that a pump leaves in its water by not being perfect.

    It belongs to the heat balance of a loop; the rest of the shaft power comes out as friction.

    Shape
        Scalars or series of one length in, the same out.

    Parameters
        power_kw    electric power of the motor                          [kW]
        motor_pct   motor efficiency                                     [%]
        pump_pct    pump efficiency                                      [%]

    Returns
        heat        NaN where any input is NaN                           [kW]

    Errors
        None: every real number has an answer.

    Source
        Power × motor efficiency × (1 - pump efficiency), worked in a published audit guide
        for chilled-water plants in Singapore (tests/standards/test_pump.py).

    >>> round(pump_heat_kw(30.0, 90.0, 80.0), 3)
    5.4
    """
    return power_kw * motor_pct / 100.0 * (1.0 - pump_pct / 100.0)
