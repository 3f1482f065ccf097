"""What a chiller draws: ten terms within what it was seen in, and the three parameters of Gordon and Ng.

The ten terms follow one machine closely (1 % on a laboratory chiller) and mean nothing elsewhere;
Gordon-Ng follows less closely (4 %) and carries further.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Any, Final, cast

import numpy as np

from plantview.calcs.chiller_model import gordon_ng_power_kw
from plantview.model.columns import Floats

if TYPE_CHECKING:
    from plantview.calcs._numeric import Numeric

TERMS: Final = 10
STILL: Final = (10.0, 0.1, 0.1)
"""kW, K, K: an input with less scatter says nothing but its sensor's noise, and takes no part."""
_NO_PART: Final = 1e9
"""Half width that makes an input's terms vanish."""
_RIDGE: Final = 1e-6
"""Of the largest eigenvalue: what the readings do not tell apart stays near nothing."""
_ZERO_K: Final = 273.15
_LOADED_KW: Final = 1.0


def scales(load: Floats, cw: Floats, chw: Floats) -> tuple[tuple[float, float], ...]:
    """Return middle and half width of each input, for numbers near 1."""
    return tuple(
        (
            (float(each.min()) + float(each.max())) / 2.0,
            (float(each.max()) - float(each.min())) / 2.0 if float(each.std()) > still else _NO_PART,
        )
        for each, still in zip((load, cw, chw), STILL, strict=True)
    )


def terms(load: Numeric, cw: Numeric, chw: Numeric, scaled: tuple[tuple[float, float], ...]) -> tuple[Numeric, ...]:
    """Return the ten terms; numbers in, numbers out, rows in, rows out."""
    q: Any
    c: Any
    e: Any
    q, c, e = ((each - middle) / half for each, (middle, half) in zip((load, cw, chw), scaled, strict=True))
    return (1.0 + 0.0 * q, q, c, e, q * q, c * c, e * e, q * c, q * e, c * e)


def biquadratic_kw(
    load: Numeric, cw: Numeric, chw: Numeric, scaled: tuple[tuple[float, float], ...], coefficients: tuple[float, ...]
) -> Numeric:
    """Return the power in kW; load in kW, water entering the condenser and leaving the evaporator in °C."""
    total: Any = 0.0
    for term, coefficient in zip(terms(load, cw, chw, scaled), coefficients, strict=True):
        total = total + coefficient * term
    return cast("Numeric", total)


def fit_biquadratic(
    load: Floats, cw: Floats, chw: Floats, power: Floats
) -> tuple[tuple[tuple[float, float], ...], tuple[float, ...]]:
    """Return scales and coefficients by least squares, with a ridge too small to be seen."""
    scaled = scales(load, cw, chw)
    table = np.array(terms(load, cw, chw, scaled))
    square = table @ table.T
    ridge = _RIDGE * float(np.linalg.eigvalsh(square)[-1]) * np.eye(TERMS)
    ridge[0, 0] = 0.0
    found = np.linalg.solve(square + ridge, table @ power)
    return scaled, tuple(float(each) for each in found)


def fit_gordon_ng(chwr: Floats, cw: Floats, load: Floats, power: Floats) -> tuple[float, float, float]:
    """Return b0 [kW/K], b1 [kW], b2 [K/kW] by least squares of the form that is linear in them."""
    used = (load > _LOADED_KW) & (power > 0)
    te, tc, q, p = chwr[used] + _ZERO_K, cw[used] + _ZERO_K, load[used], power[used]
    above = 1.0 + p / q
    table = np.array([te / q, (tc - te) / (tc * q), q * above / tc]).T
    weights = np.linalg.norm(table, axis=0)
    found = np.linalg.lstsq(table / weights, te / tc * above - 1.0, rcond=None)[0] / weights
    return float(found[0]), float(found[1]), float(found[2])


def gordon_ng_kw(chwr: Floats, cw: Floats, load: Floats, b: tuple[float, float, float]) -> Floats:
    """Return the power by Gordon-Ng for rows of readings."""
    with np.errstate(all="ignore"):
        return np.asarray(gordon_ng_power_kw(chwr, cw, load, *b), np.float64)
