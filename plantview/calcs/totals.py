"""What a span of time adds up to: energy, run hours, starts, averages that carry their weights."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any, Final

import numpy as np

from plantview.calcs._numeric import quotient, within
from plantview.errors import OutsideSourceRange

if TYPE_CHECKING:
    from collections.abc import Sequence

    from plantview.calcs._numeric import Array

GAP_H_MAX: Final = 0.25
"""Two samples further apart than this have nothing between them that could be counted (our own choice)."""


def energy_kwh(hours_h: Sequence[float], powers_kw: Sequence[float], gap_h_max: float = GAP_H_MAX) -> float:
    """Return the energy under a row of power samples; what nobody saw is not counted.

    Shape
        Two sequences, arrays or series of one length -> one number.

    Parameters
        hours_h     time of each sample, rising                          [h]
        powers_kw   power at that time, NaN where unknown                [kW]
        gap_h_max   longest step that is still counted                   [h]

    Returns
        energy      0 where fewer than two samples join                  [kWh]

    Errors
        OutsideSourceRange   times that do not rise.
        ValueError           the two are not of one length.

    Source
        Trapezoidal rule (tests/unit/test_calcs_totals.py).

    >>> energy_kwh([0.0, 0.1, 0.2], [100.0, 200.0, 100.0])
    30.0
    """
    steps, powers = _steps(hours_h, powers_kw)
    counted = (steps <= gap_h_max) & np.isfinite(powers[:-1]) & np.isfinite(powers[1:])
    return round(float(np.sum(np.where(counted, steps * (powers[:-1] + powers[1:]) / 2.0, 0.0))), 9)


def run_hours_h(hours_h: Sequence[float], running: Sequence[float], gap_h_max: float = GAP_H_MAX) -> float:
    """Return how long a machine ran: each step counts as the state at its beginning.

    Shape
        Two sequences, arrays or series of one length -> one number.

    Parameters
        hours_h     time of each sample, rising                          [h]
        running     1 runs, 0 stands, NaN where unknown                  [1]
        gap_h_max   longest step that is still counted                   [h]

    Returns
        hours       what is known to have run                            [h]

    Errors
        OutsideSourceRange   times that do not rise.
        ValueError           the two are not of one length.

    Source
        Definition (tests/unit/test_calcs_totals.py).

    >>> run_hours_h([0.0, 0.1, 0.2, 0.3], [1.0, 1.0, 0.0, 0.0])
    0.2
    """
    steps, states = _steps(hours_h, running)
    return round(float(np.sum(steps[(steps <= gap_h_max) & (states[:-1] > 0.5)])), 9)


def starts(running: Sequence[float]) -> int:
    """Return how often a machine went from standing to running; an unknown sample is passed over.

    Shape
        One sequence, array or series -> one whole number.

    Parameters
        running     1 runs, 0 stands, NaN where unknown                  [1]

    Returns
        starts      the first sample is no start                         [1]

    Errors
        None: every real number has an answer.

    Source
        Definition (tests/unit/test_calcs_totals.py).

    >>> starts([0.0, 1.0, 1.0, 0.0, 1.0])
    2
    """
    states = np.asarray(running, dtype=np.float64)
    on = states[np.isfinite(states)] > 0.5
    return int(np.sum(~on[:-1] & on[1:]))


def weighted_average(values: Sequence[float], weights: Sequence[float]) -> float:
    """Return the average of values by their weights, such as CHWS by flow or part load by hours.

    Ratios such as kW/ton are averaged as sums of what they are made of: see ``average_kw_per_ton``.

    Shape
        Two sequences, arrays or series of one length -> one number; a pair with a missing
        half is left out of both sums.

    Parameters
        values      what is averaged                                     [any]
        weights     flow, load or hours of each                          [any]

    Returns
        average     in the unit of the values                            [any]

    Errors
        OutsideSourceRange   no complete pair, or weights that add up to nothing.
        ValueError           the two are not of one length.

    Source
        Definition (tests/unit/test_calcs_totals.py).

    >>> weighted_average([6.0, 14.0], [30.0, 10.0])
    8.0
    """
    pairs = [(v, w) for v, w in zip(values, weights, strict=True) if np.isfinite(v) and np.isfinite(w)]
    return quotient(float(sum(v * w for v, w in pairs)), float(sum(w for _, w in pairs)), "sum of the weights")


def register_energy_kwh(readings_kwh: Sequence[float], register_kwh: float, step_kwh_max: float) -> float:
    """Return the energy that a meter's register counted, through its roll-over and through a new meter.

    A step back is a roll-over where counting on through the register's end gives a believable
    step; anything else is another meter, whose first reading begins a new count.

    Shape
        One sequence, array or series of readings -> one number; NaN is passed over.

    Parameters
        readings_kwh    the register, one reading after another          [kWh]
        register_kwh    where it starts at 0 again, above 0              [kWh]
        step_kwh_max    most that can be counted between two readings,
                        0 or more                                        [kWh]

    Returns
        energy          what was counted; what passed while a meter was
                        exchanged is not in it                           [kWh]

    Errors
        OutsideSourceRange   a register that holds nothing.

    Source
        Definition (tests/unit/test_calcs_totals.py).

    >>> register_energy_kwh([990.0, 998.0, 3.0, 13.0], 1_000.0, 20.0)
    23.0
    """
    within(register_kwh, 1e-9, 1e15, "size of the register, kWh,")
    readings = np.asarray(readings_kwh, dtype=np.float64)
    steps: Any = np.diff(readings[np.isfinite(readings)])
    rolled = np.where(steps < 0, steps + register_kwh, steps)
    return float(np.sum(rolled[(rolled >= 0) & (rolled <= step_kwh_max)]))


def _steps(hours_h: Sequence[float], values: Sequence[float]) -> tuple[Array, Array]:
    hours, row = (np.asarray(each, dtype=np.float64) for each in (hours_h, values))
    if hours.shape != row.shape:
        raise ValueError(f"{hours.size} times and {row.size} values")
    steps: Any = np.diff(hours)
    if np.any(steps <= 0):
        raise OutsideSourceRange("times do not rise")
    return steps, row
