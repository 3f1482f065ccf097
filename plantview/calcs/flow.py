"""Flow from a pressure drop, and what happens where flows meet."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

from plantview.calcs._numeric import quotient, sqrt, total, within

if TYPE_CHECKING:
    from collections.abc import Sequence

    from plantview.calcs._numeric import Numeric

_L_S_PER_GPM: Final = 3.785411784 / 60.0
_KPA_PER_PSI: Final = 6.894757293168


def barrel_flow_l_s(drop_kpa: Numeric, design_flow_l_s: float, design_drop_kpa: float) -> Numeric:
    """Return the flow through a chiller barrel from its water pressure drop.

    Fouling raises the drop and so the apparent flow: compare with the temperature
    difference. A 5 % error of the drop is 2.5 % of flow.

    Shape
        Scalar or series of drops in, the same out; the design pair is one number each.

    Parameters
        drop_kpa            measured drop, nozzle to nozzle, 0 or more   [kPa]
        design_flow_l_s     flow on the data sheet                       [L/s]
        design_drop_kpa     drop at that flow, above 0                   [kPa]

    Returns
        flow                NaN where the drop is NaN                    [L/s]

    Errors
        OutsideSourceRange   a negative drop (taps swapped), or no design drop.

    Source
        Square law; an exponent of 1/1.85 reads 1-2 % lower
        (tests/standards/test_flow.py).

    >>> barrel_flow_l_s(16.0, 100.0, 64.0)
    50.0
    """
    design = within(design_drop_kpa, 1e-6, 1e6, "design drop, kPa,")
    return design_flow_l_s * sqrt(drop_kpa / design, "pressure drop ratio")


def valve_flow_l_s(cv_gpm: float, drop_kpa: Numeric, specific_gravity: float = 1.0) -> Numeric:
    """Return the flow through a valve of known Cv.

    Shape
        Scalar or series of drops in, the same out.

    Parameters
        cv_gpm              flow coefficient at this opening             [gpm at 1 psi]
        drop_kpa            pressure drop, 0 or more                     [kPa]
        specific_gravity    1 for water, above 0                         [1]

    Returns
        flow                NaN where the drop is NaN                    [L/s]

    Errors
        OutsideSourceRange   a negative drop or no density.

    Source
        IEC 60534-2-1, turbulent liquid flow: gpm = Cv √(psi / SG)
        (tests/standards/test_flow.py).

    >>> round(valve_flow_l_s(500.0, 27.579))
    63
    """
    gravity = within(specific_gravity, 0.1, 10.0, "specific gravity")
    return cv_gpm * _L_S_PER_GPM * sqrt(drop_kpa / (_KPA_PER_PSI * gravity), "pressure drop")


def valve_cv_gpm(flow_l_s: Numeric, drop_kpa: Numeric, specific_gravity: float = 1.0) -> Numeric:
    """Return the Cv that a valve shows by its flow and pressure drop: gpm of water at 1 psi.

    Of a valve that stands open it is the Cv of its data sheet; less says dirt, or a stem that is not up.

    Shape
        Scalars or series of one length in, the same out.

    Parameters
        flow_l_s            flow through the valve                       [L/s]
        drop_kpa            pressure drop across it, above 0             [kPa]
        specific_gravity    1 for water, above 0                         [1]

    Returns
        cv                  NaN where any input is NaN                   [gpm at 1 psi]

    Errors
        OutsideSourceRange   a drop that is not above 0, or no density.

    Source
        IEC 60534-2-1, turbulent liquid flow: Cv = gpm √(SG / psi)
        (tests/standards/test_flow.py).

    >>> round(valve_cv_gpm(6.30902, 6.894757), 3)
    100.0
    """
    gravity = within(specific_gravity, 0.1, 10.0, "specific gravity")
    drop = within(drop_kpa, 1e-9, 1e9, "pressure drop, kPa,")
    return flow_l_s / _L_S_PER_GPM * sqrt(_KPA_PER_PSI * gravity / drop, "pressure drop")


def decoupler_flow_l_s(primary_l_s: Numeric, secondary_l_s: Numeric) -> Numeric:
    """Return the flow that takes the decoupler from supply to return.

    Negative: the secondary side draws more than the chillers supply, and return water
    mixes into the supply. Small beside the meters' own errors.

    Shape
        Scalars or series of one length in, the same out.

    Parameters
        primary_l_s     flow through the chillers                        [L/s]
        secondary_l_s   flow to the buildings                            [L/s]

    Returns
        flow            NaN where any input is NaN                       [L/s]

    Errors
        None: every real number has an answer.

    Source
        Mass balance of the tee (tests/unit/test_calcs_flow.py).

    >>> decoupler_flow_l_s(180.0, 150.0)
    30.0
    """
    return primary_l_s - secondary_l_s


def mixed_temperature_c(first_l_s: Numeric, first_c: Numeric, second_l_s: Numeric, second_c: Numeric) -> Numeric:
    """Return the temperature after two flows have met.

    Shape
        Scalars or series of one length in, the same out.

    Parameters
        first_l_s       one flow, 0 or more                              [L/s]
        first_c         its temperature                                  [°C]
        second_l_s      other flow, 0 or more                            [L/s]
        second_c        its temperature                                  [°C]

    Returns
        temperature     NaN where any input is NaN                       [°C]

    Errors
        OutsideSourceRange   the flows add up to nothing.

    Source
        Heat balance with one density and heat capacity, within 0.01 K between 0 and
        20 °C (tests/standards/test_flow.py).

    >>> mixed_temperature_c(30.0, 6.0, 10.0, 14.0)
    8.0
    """
    return quotient(first_l_s * first_c + second_l_s * second_c, first_l_s + second_l_s, "total flow")


def blended_temperature_c(flows_l_s: Sequence[Numeric], temperatures_c: Sequence[Numeric]) -> Numeric:
    """Return the temperature of a header that several branches feed.

    Shape
        Two sequences of one length -> one number; or of series, the same out.

    Parameters
        flows_l_s       flow of each branch                              [L/s]
        temperatures_c  its temperature                                  [°C]

    Returns
        temperature     NaN where any input is NaN                       [°C]

    Errors
        OutsideSourceRange   the flows add up to nothing.
        ValueError           the two are not of one length.

    Source
        As for two flows: sum of flow × temperature / sum of flow (tests/standards/test_flow.py).

    >>> blended_temperature_c([30.0, 10.0, 0.0], [6.0, 14.0, 25.0])
    8.0
    """
    heat = total(flow * at_c for flow, at_c in zip(flows_l_s, temperatures_c, strict=True))
    return quotient(heat, total(flows_l_s), "total flow")
