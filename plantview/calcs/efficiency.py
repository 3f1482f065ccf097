"""kW/ton, COP and EER; rating averages and averages over time."""

from __future__ import annotations

from math import isnan
from typing import TYPE_CHECKING, Final

from plantview.calcs._numeric import quotient, within
from plantview.calcs.load import KW_PER_TON

if TYPE_CHECKING:
    from collections.abc import Sequence

    from plantview.calcs._numeric import Numeric

IPLV_WEIGHTS: Final = (0.01, 0.42, 0.45, 0.12)
"""Of 100, 75, 50 and 25 % load."""


def kw_per_ton(power_kw: Numeric, load_kw: Numeric) -> Numeric:
    """Return the electric power that a ton of cooling takes.

    Negative where the load is negative: the balance is wrong, not the machine good.

    Shape
        Scalars or series of one length in, the same out.

    Parameters
        power_kw    electric power of what is inside the boundary        [kW]
        load_kw     cooling load, not zero                               [kW]

    Returns
        efficiency  NaN where any input is NaN                           [kW/ton]

    Errors
        OutsideSourceRange   the load is zero.

    Source
        Definition (tests/standards/test_efficiency.py).

    >>> round(kw_per_ton(600.0, 3516.85), 3)
    0.6
    """
    return quotient(power_kw * KW_PER_TON, load_kw, "cooling load")


def cop(load_kw: Numeric, power_kw: Numeric) -> Numeric:
    """Return the kW of cooling per kW of electric power.

    Shape
        Scalars or series of one length in, the same out.

    Parameters
        load_kw     cooling load                                         [kW]
        power_kw    electric power of what is inside the boundary, not 0 [kW]

    Returns
        cop         NaN where any input is NaN                           [1]

    Errors
        OutsideSourceRange   the power is zero.

    Source
        Definition (tests/standards/test_efficiency.py).

    >>> cop(3000.0, 500.0)
    6.0
    """
    return quotient(load_kw, power_kw, "power")


def cop_of_kw_per_ton(efficiency_kw_per_ton: Numeric) -> Numeric:
    """Return the COP that stands for a kW/ton; the same formula leads back.

    Shape
        Scalar or series in, the same out.

    Parameters
        efficiency_kw_per_ton   not zero                                 [kW/ton]

    Returns
        cop         NaN where the input is NaN                           [1]

    Errors
        OutsideSourceRange   kW/ton is zero.

    Source
        Definition: 3.516853 / (kW/ton) (tests/standards/test_efficiency.py).

    >>> round(cop_of_kw_per_ton(0.5), 2)
    7.03
    """
    return KW_PER_TON * quotient(efficiency_kw_per_ton**0, efficiency_kw_per_ton, "kW/ton")


def eer_of_kw_per_ton(efficiency_kw_per_ton: Numeric) -> Numeric:
    """Return the EER that stands for a kW/ton.

    Shape
        Scalar or series in, the same out.

    Parameters
        efficiency_kw_per_ton   not zero                                 [kW/ton]

    Returns
        eer         NaN where the input is NaN                           [Btu/Wh]

    Errors
        OutsideSourceRange   kW/ton is zero.

    Source
        Definition: 12 / (kW/ton) (tests/standards/test_efficiency.py).

    >>> eer_of_kw_per_ton(0.6)
    20.0
    """
    return 12.0 * quotient(efficiency_kw_per_ton**0, efficiency_kw_per_ton, "kW/ton")


def iplv_kw_per_ton(full: Numeric, three_quarters: Numeric, half: Numeric, quarter: Numeric) -> Numeric:
    """Return the integrated part-load value of four ratings in kW/ton.

    The mean is harmonic: the weights belong to COP, and the arithmetic mean reads
    too high. It is a rating, not a yardstick for a live value.

    Shape
        Scalars or series of one length in, the same out.

    Parameters
        full            at 100 % load, above 0                           [kW/ton]
        three_quarters  at 75 % load, above 0                            [kW/ton]
        half            at 50 % load, above 0                            [kW/ton]
        quarter         at 25 % load, above 0                            [kW/ton]

    Returns
        iplv            NaN where any input is NaN                       [kW/ton]

    Errors
        OutsideSourceRange   a rating of zero.

    Source
        AHRI Standard 550/590, IPLV/NPLV equation; weights from memory
        (tests/standards/test_efficiency.py).

    >>> round(iplv_kw_per_ton(0.6, 0.49, 0.38, 0.42), 5)
    0.42667
    """
    cops = (cop_of_kw_per_ton(rating) for rating in (full, three_quarters, half, quarter))
    return cop_of_kw_per_ton(iplv_cop(*cops))


def iplv_cop(full: Numeric, three_quarters: Numeric, half: Numeric, quarter: Numeric) -> Numeric:
    """Return the integrated part-load value of four ratings in COP (or EER).

    Shape
        Scalars or series of one length in, the same out.

    Parameters
        full            at 100 % load                                    [1]
        three_quarters  at 75 % load                                     [1]
        half            at 50 % load                                     [1]
        quarter         at 25 % load                                     [1]

    Returns
        iplv            NaN where any input is NaN                       [1]

    Errors
        None: every real number has an answer.

    Source
        AHRI Standard 550/590, IPLV/NPLV equation; weights from memory
        (tests/standards/test_efficiency.py).

    >>> round(iplv_cop(6.0, 7.0, 9.0, 8.0), 2)
    8.01
    """
    a, b, c, d = IPLV_WEIGHTS
    return a * full + b * three_quarters + c * half + d * quarter


def average_kw_per_ton(energies_kwh: Sequence[float], coolings_ton_h: Sequence[float]) -> float:
    """Return the kW/ton of a span of time: all energy over all cooling, never the mean of ratios.

    Shape
        Two sequences, arrays or series of one length -> one number; a pair with a
        missing half is left out of both sums.

    Parameters
        energies_kwh    electric energy of each interval                 [kWh]
        coolings_ton_h  cooling of the same intervals                    [ton·h]

    Returns
        average         one number                                       [kW/ton]

    Errors
        OutsideSourceRange   no complete pair, or no cooling at all.
        ValueError           the two are not of one length.

    Source
        Definition: sum of kWh / sum of ton-hours (tests/unit/test_calcs_efficiency.py).

    >>> average_kw_per_ton([60.0, 40.0], [100.0, 25.0])
    0.8
    """
    pairs = [(e, c) for e, c in zip(energies_kwh, coolings_ton_h, strict=True) if not (isnan(e) or isnan(c))]
    return quotient(float(sum(e for e, _ in pairs)), float(sum(c for _, c in pairs)), "cooling")


def load_pct(load_kw: Numeric, design_kw: float) -> Numeric:
    """Return a load as part of the design capacity.

    Shape
        Scalar or series in, the same out.

    Parameters
        load_kw     cooling load                                         [kW]
        design_kw   design cooling capacity, above 0                     [kW]

    Returns
        part        may pass 100; NaN where the load is NaN              [%]

    Errors
        OutsideSourceRange   the design capacity is not above 0.

    Source
        Definition (tests/unit/test_calcs_efficiency.py).

    >>> load_pct(500.0, 2000.0)
    25.0
    """
    return load_kw * (100.0 / within(design_kw, 1e-9, 1e9, "design capacity, kW,"))
