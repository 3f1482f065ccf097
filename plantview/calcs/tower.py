"""What a cooling tower does with its water."""

from __future__ import annotations

from typing import TYPE_CHECKING

from plantview.calcs._numeric import quotient

if TYPE_CHECKING:
    from plantview.calcs._numeric import Numeric


def tower_range_k(entering_c: Numeric, leaving_c: Numeric) -> Numeric:
    """Return by how much the tower cools the water.

    Shape
        Scalars or series of one length in, the same out.

    Parameters
        entering_c  water entering the tower (CWR)                       [°C]
        leaving_c   water leaving the tower (CWS)                        [°C]

    Returns
        range       NaN where any input is NaN                           [K]

    Errors
        None: every real number has an answer.

    Source
        Definition: CWR - CWS (tests/unit/test_calcs_tower.py).

    >>> tower_range_k(35.0, 29.5)
    5.5
    """
    return entering_c - leaving_c


def tower_approach_k(leaving_c: Numeric, wet_bulb_c: Numeric) -> Numeric:
    """Return how near the leaving water comes to the wet bulb.

    It grows as the wet bulb falls at one range, so it has no one limit. Negative: a
    sensor is off, most often the wet bulb.

    Shape
        Scalars or series of one length in, the same out.

    Parameters
        leaving_c   water leaving the tower (CWS)                        [°C]
        wet_bulb_c  outdoor wet bulb                                     [°C]

    Returns
        approach    NaN where any input is NaN                           [K]

    Errors
        None: every real number has an answer.

    Source
        Definition: CWS - wet bulb (tests/unit/test_calcs_tower.py).

    >>> tower_approach_k(29.5, 25.5)
    4.0
    """
    return leaving_c - wet_bulb_c


def tower_effectiveness_pct(entering_c: Numeric, leaving_c: Numeric, wet_bulb_c: Numeric) -> Numeric:
    """Return the cooling done as part of the most that the air allows.

    Above 100: the leaving water reads below the wet bulb, a sensor is off.

    Shape
        Scalars or series of one length in, the same out.

    Parameters
        entering_c      water entering the tower (CWR)                   [°C]
        leaving_c       water leaving the tower (CWS)                    [°C]
        wet_bulb_c      outdoor wet bulb                                 [°C]

    Returns
        effectiveness   NaN where any input is NaN                       [%]

    Errors
        OutsideSourceRange   entering water is at the wet bulb.

    Source
        Definition: range / (range + approach) (tests/standards/test_tower.py).

    >>> tower_effectiveness_pct(35.0, 29.0, 25.0)
    60.0
    """
    return quotient(100.0 * (entering_c - leaving_c), entering_c - wet_bulb_c, "entering water above wet bulb")
