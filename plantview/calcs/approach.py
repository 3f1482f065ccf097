"""Temperature differences that tell how a chiller works: approaches, lifts, subcooling, superheat."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any, cast

from plantview.calcs._numeric import choose, within

if TYPE_CHECKING:
    from plantview.calcs._numeric import Numeric


def water_delta_t_k(hot_c: Numeric, cold_c: Numeric) -> Numeric:
    """Return the temperature difference of a water circuit.

    Negative: swapped sensors, or a loop that runs backwards.

    Shape
        Scalars or series of one length in, the same out.

    Parameters
        hot_c           warmer leg: CHWR, or CWR                                    [°C]
        cold_c          colder leg: CHWS, or CWS                                    [°C]

    Returns
        difference      NaN where any input is NaN                                  [K]

    Errors
        None: every real number has an answer.

    Source
        Definition: hot - cold (tests/unit/test_calcs_approach.py).

    >>> water_delta_t_k(12.0, 7.0)
    5.0
    """
    return hot_c - cold_c


def condenser_approach_k(saturation_c: Numeric, cwr_c: Numeric) -> Numeric:
    """Return how far the refrigerant condenses above the leaving condenser water.

    Rising at one load: fouled tubes, gas that does not condense, or little water flow.
    Negative: a sensor is off, or a pressure was read as absolute that is gauge.

    Shape
        Scalars or series of one length in, the same out.

    Parameters
        saturation_c    condensing saturation temperature                           [°C]
        cwr_c           water leaving the condenser (CWR)                           [°C]

    Returns
        approach        NaN where any input is NaN                                  [K]

    Errors
        None: every real number has an answer.

    Source
        Definition; ASHRAE RP-1043 logs it so: saturation - CWR (tests/unit/test_calcs_approach.py).

    >>> condenser_approach_k(36.5, 35.0)
    1.5
    """
    return saturation_c - cwr_c


def evaporator_approach_k(chws_c: Numeric, saturation_c: Numeric) -> Numeric:
    """Return how far the refrigerant evaporates below the leaving chilled water.

    Rising at one load: low charge, oil in the evaporator, fouling, or little water flow.

    Shape
        Scalars or series of one length in, the same out.

    Parameters
        chws_c          water leaving the evaporator (CHWS)                         [°C]
        saturation_c    evaporating saturation temperature                          [°C]

    Returns
        approach        NaN where any input is NaN                                  [K]

    Errors
        None: every real number has an answer.

    Source
        Definition; ASHRAE RP-1043 logs it so: CHWS - saturation (tests/unit/test_calcs_approach.py).

    >>> evaporator_approach_k(7.0, 5.5)
    1.5
    """
    return chws_c - saturation_c


def lift_k(condensing_c: Numeric, evaporating_c: Numeric) -> Numeric:
    """Return how far the compressor lifts the refrigerant's saturation temperature.

    Shape
        Scalars or series of one length in, the same out.

    Parameters
        condensing_c    condensing saturation temperature                           [°C]
        evaporating_c   evaporating saturation temperature                          [°C]

    Returns
        lift            NaN where any input is NaN                                  [K]

    Errors
        None: every real number has an answer.

    Source
        Definition: condensing - evaporating (tests/unit/test_calcs_approach.py).

    >>> lift_k(36.5, 5.5)
    31.0
    """
    return condensing_c - evaporating_c


def water_lift_k(cwr_c: Numeric, chws_c: Numeric) -> Numeric:
    """Return the lift as seen from the water: leaving condenser over leaving chilled water.

    Shape
        Scalars or series of one length in, the same out.

    Parameters
        cwr_c           water leaving the condenser (CWR)                           [°C]
        chws_c          water leaving the evaporator (CHWS)                         [°C]

    Returns
        lift            NaN where any input is NaN                                  [K]

    Errors
        None: every real number has an answer.

    Source
        ASHRAE Guideline 36 (2021), 5.20.10, as documented by public implementations: CWR - CHWS (tests/unit/test_calcs_approach.py).

    >>> water_lift_k(35.0, 7.0)
    28.0
    """
    return cwr_c - chws_c


def subcooling_k(bubble_c: Numeric, liquid_c: Numeric) -> Numeric:
    """Return how far the liquid is cooled below condensing.

    Falling together with the condenser approach: charge is being lost.

    Shape
        Scalars or series of one length in, the same out.

    Parameters
        bubble_c        saturation temperature at condenser pressure, bubble point  [°C]
        liquid_c        liquid line temperature                                     [°C]

    Returns
        subcooling      NaN where any input is NaN                                  [K]

    Errors
        None: every real number has an answer.

    Source
        Definition: bubble point - liquid line (tests/unit/test_calcs_approach.py).

    >>> subcooling_k(36.5, 33.0)
    3.5
    """
    return bubble_c - liquid_c


def superheat_k(suction_c: Numeric, dew_c: Numeric) -> Numeric:
    """Return how far the suction gas is above evaporating.

    Shape
        Scalars or series of one length in, the same out.

    Parameters
        suction_c       suction temperature                                         [°C]
        dew_c           saturation temperature at evaporator pressure, dew point    [°C]

    Returns
        superheat       NaN where any input is NaN                                  [K]

    Errors
        None: every real number has an answer.

    Source
        Definition: suction - dew point (tests/unit/test_calcs_approach.py).

    >>> superheat_k(8.5, 5.5)
    3.0
    """
    return suction_c - dew_c


def lift_target_k(part_load: Numeric, least_k: float, most_k: float) -> Numeric:
    """Return the water lift (CWR above CHWS) that a plant is asked to hold at a part load.

    The least lift is the machine's own: below it, it runs worse, hunts or trips.

    Shape
        Scalar or series of part loads in, the same out; the limits are one number each.

    Parameters
        part_load   load / design load, 0..1.5                                      [1]
        least_k     the machine's least lift                                        [K]
        most_k      design CWR less least CHWS                                      [K]

    Returns
        lift        NaN where the part load is NaN                                  [K]

    Errors
        OutsideSourceRange   a part load outside, or limits in the wrong order.

    Source
        ASHRAE Guideline 36 (2021), 5.20.12.2, as documented by public implementations
        (tests/standards/test_lift.py).

    >>> round(lift_target_k(0.5, 11.0, 28.0), 2)
    18.65
    """
    load = within(part_load, 0.0, 1.5, "part load")
    slope = 1.1 * (most_k - within(least_k, 0.0, most_k, "least lift, K,"))
    wanted = most_k + slope * (load - 1.0)
    least, most = cast("tuple[Any, Any]", (least_k, most_k))
    return cast("Numeric", choose(wanted < least_k, least, choose(wanted > most_k, most, wanted)))
