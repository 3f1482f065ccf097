"""How far from zero a heat balance may be: the tolerance grows as the load of the running machines falls."""

from __future__ import annotations

from typing import Any, Final

import numpy as np

from plantview.calcs.heat_balance import heat_balance_tolerance_pct
from plantview.model.plant import Equipment, Plant
from plantview.web.performance import Seen, Series, folded

RUNS_SHARE: Final = 0.01
"""Of its capacity: a chiller that cools more runs."""


def chillers_of(plant: Plant) -> tuple[Equipment, ...]:
    """Return the chillers whose design data a tolerance can be worked out from."""
    needed = ("cooling_capacity", "chws_temp", "chwr_temp")
    return tuple(each for each in plant.of_kind("chiller") if all(name in each.design for name in needed))


def tolerance(plant: Plant, series: Series, seen: Seen, each: int) -> dict[str, Any]:
    """Return the tolerance [%] over every ``each`` intervals, by the load of the machines that ran; NaN where unknown."""
    nothing = np.full(seen.cooling.size // each, np.nan)
    machines = chillers_of(plant)
    lacking = [one.id for one in plant.of_kind("chiller") if one not in machines]
    if lacking:
        return {
            "pct": nothing.tolist(),
            "why_not": f"{', '.join(lacking)}: design capacity or temperatures are not given",
        }
    loads = [series.get(f"{one.id}.cooling_load", np.full(seen.cooling.size, np.nan)) for one in machines]
    known = seen.rated & np.all([np.isfinite(load) for load in loads], axis=0)
    ran = [
        np.where(known & (load > RUNS_SHARE * one.design["cooling_capacity"]), one.design["cooling_capacity"], 0.0)
        for one, load in zip(machines, loads, strict=True)
    ]
    cooled, could = (folded(row, each) for row in (np.where(known, np.sum(loads, axis=0), 0.0), np.sum(ran, axis=0)))
    found = nothing
    some = (could > 0) & (cooled > 0)
    found[some] = heat_balance_tolerance_pct(100.0 * cooled[some] / could[some], _design_delta_t(machines))
    return {"pct": found.tolist(), "why_not": ""}


def _design_delta_t(machines: tuple[Equipment, ...]) -> float:
    """Return the design difference of the chilled water, by capacity [K]."""
    sizes = [one.design["cooling_capacity"] for one in machines]
    across = [one.design["chwr_temp"] - one.design["chws_temp"] for one in machines]
    return float(np.average(across, weights=sizes))
