"""What a tower cell leaves above the wet bulb: the variable-speed correlation, scaled to the cell's own readings."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any, Final, cast

import numpy as np

from plantview.calcs.tower_model import AIR_RATIO, RANGE_K, WATER_RATIO, WET_BULB_C, variable_speed_approach_k
from plantview.model.columns import Flags, Floats

if TYPE_CHECKING:
    from plantview.calcs._numeric import Numeric

_STEPS: Final = 21
_KEPT_SHARE: Final = 0.8
"""Of the readings a flow taken as the correlation's own must leave within its range."""


def approach_k(
    range_k: Numeric, wet_bulb: Numeric, water: Numeric, air_pct: Numeric, form: tuple[float, float, float]
) -> Numeric:
    """Return the approach in K; ``form`` is the flow that counts as 1 [L/s], factor, and what is added [K]."""
    nominal, factor, added = form
    bare: Any = variable_speed_approach_k(range_k, wet_bulb, water / nominal, air_pct / 100.0)
    return cast("Numeric", factor * bare + added)


def fit_tower(
    range_k: Floats, wet_bulb: Floats, water: Floats, air_pct: Floats, approach: Floats
) -> tuple[float, float, float]:
    """Return the form that leaves the least squares; ValueError where too few readings lie within the correlation."""
    best: tuple[float, tuple[float, float, float]] | None = None
    typical = float(np.median(water))
    for ratio in np.linspace(*WATER_RATIO, _STEPS).tolist():
        nominal = typical / ratio
        inside = covered(range_k, wet_bulb, water / nominal, air_pct)
        if np.mean(inside) < _KEPT_SHARE:
            continue
        bare = variable_speed_approach_k(
            range_k[inside], wet_bulb[inside], water[inside] / nominal, air_pct[inside] / 100.0
        )
        table = np.array([bare, np.ones(bare.size)]).T
        found = np.linalg.lstsq(table, approach[inside], rcond=None)[0]
        left = float(np.sqrt(np.mean((table @ found - approach[inside]) ** 2)))
        if found[0] > 0 and (best is None or left < best[0]):
            best = left, (nominal, float(found[0]), float(found[1]))
    if best is None:
        raise ValueError("its readings do not follow the correlation, or most lie beyond what that covers")
    return best[1]


def covered(range_k: Floats, wet_bulb: Floats, ratio: Floats, air_pct: Floats) -> Flags:
    """Return where the correlation has an answer."""
    inside = np.ones(range_k.shape, np.bool_)
    limits = ((range_k, RANGE_K), (wet_bulb, WET_BULB_C), (ratio, WATER_RATIO), (air_pct / 100.0, AIR_RATIO))
    for each, (low, high) in limits:
        inside &= (each >= low) & (each <= high)
    return inside
