"""What the plant as a whole did over a while: sums of energies over intervals in which everything needed was seen.

An interval of five minutes counts where every reading that a figure needs has a number in it; a figure says how many
hours those were. Ratios are energy over cooling of the same intervals, never means of ratios.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any, Final

import numpy as np

from plantview.calcs.heat_balance import heat_balance_pct
from plantview.history import Buckets
from plantview.model.columns import Floats, Ints
from plantview.model.plant import Plant
from plantview.model.signal import Signal

BIN_MS: Final = 300_000
HOUR_MS: Final = 3_600_000
BIN_H: Final = BIN_MS / HOUR_MS
KW_PER_TON: Final = 3.5168528420667
"""12,000 Btu/h with the Btu of the International Table: 12,000 × 1.05505585262 kJ / 3,600 s."""
LOAD_SHARE: Final = 0.05
"""Of the smallest chiller's capacity: below it kW/ton is noise; the live value has the same floor."""
CURVE_POINTS: Final = 101
BEST_SHARE: Final = 0.1
"""The plant's own best is what its best tenth of like hours reached."""
BEST_HOURS_MIN: Final = 8
BEST_DAYS_MIN: Final = 3
LOAD_STEP: Final = 0.1
WET_BULB_STEP_K: Final = 2.0
COOLING: Final = "PLANT.cooling_load"
REJECTION: Final = "PLANT.heat_rejection"
WET_BULB: Final = "PLANT.wet_bulb"
BALANCE: Final = "PLANT.heat_balance"
Series = Mapping[str, Floats]


@dataclass(frozen=True, slots=True)
class Group:
    """Machines whose energy is shown as one."""

    id: str
    label: str
    signals: tuple[str, ...]


def groups_of(plant: Plant, signals: Mapping[str, Signal]) -> tuple[Group, ...]:
    """Return the groups whose power is metered."""
    found = [_derived("chillers", "chillers", "PLANT.chillers_power", signals), *_pumps(plant, signals)]
    found.append(_derived("towers", "tower fans", "PLANT.towers_power", signals))
    return tuple(group for group in found if group.signals)


def _derived(name: str, label: str, signal: str, signals: Mapping[str, Signal]) -> Group:
    return Group(name, label, (signal,) if signal in signals else ())


def _pumps(plant: Plant, signals: Mapping[str, Signal]) -> list[Group]:
    """Return pumps by the water that they move; one group by the derived sum where there is one water only."""
    whole = signals.get("PLANT.pumps_power")
    if whole is None:
        return []
    waters = {
        port.equipment: loop.water for loop in plant.loops.values() for stage in loop.stages for port in stage.ports()
    }
    of: dict[str, list[str]] = {}
    for name in whole.inputs:
        owner = plant.equipment.get(name.partition(".")[0])
        if owner is None or name not in signals:
            return [Group("pumps", "pumps", (whole.name,))]
        water = waters.get(owner.id) or waters.get(owner.part_of, "other")
        of.setdefault(water, []).append(name)
    if len(of) < 2:
        return [Group(f"pumps-{water}", f"{water} water pumps", (whole.name,)) for water in of]
    return [Group(f"pumps-{water}", f"{water} water pumps", tuple(names)) for water, names in sorted(of.items())]


def needed(groups: Sequence[Group], signals: Mapping[str, Signal]) -> tuple[str, ...]:
    """Return the names of all signals to be read."""
    more = (COOLING, REJECTION, WET_BULB)
    return tuple(
        dict.fromkeys([*(name for group in groups for name in group.signals), *filter(signals.__contains__, more)])
    )


def laid(buckets: Buckets, signal: Signal, from_ms: int, count: int, step_ms: int) -> Floats:
    """Return the mean per interval in the canonical unit; NaN where nothing was seen."""
    out = np.full(count, np.nan)
    seen = buckets.count > 0
    place = (buckets.start_ms[seen] - from_ms) // step_ms
    inside = (place >= 0) & (place < count)
    out[place[inside]] = buckets.mean[seen][inside] * signal.unit.factor + signal.unit.offset
    return out


def capacity_kw(plant: Plant) -> float:
    """Return the cooling capacity of all chillers; NaN where one has none."""
    return float(sum(one.design.get("cooling_capacity", np.nan) for one in plant.of_kind("chiller")))


def floor_kw(plant: Plant) -> float:
    """Return the load below which kW/ton is not shown."""
    sizes = [one.design.get("cooling_capacity", 0.0) for one in plant.of_kind("chiller")]
    return LOAD_SHARE * min(sizes, default=0.0)


@dataclass(frozen=True, slots=True)
class Seen:
    """Means per interval [kW]; NaN where unknown."""

    from_ms: int
    groups: tuple[Group, ...]
    power: tuple[Floats, ...]
    """One row per group."""
    cooling: Floats
    rejection: Floats
    wet_bulb: Floats
    floor_kw: float

    @property
    def total(self) -> Floats:
        """Return the power of all groups; unknown where one is."""
        return np.asarray(np.sum(self.power, axis=0)) if self.power else np.full(self.cooling.size, np.nan)

    @property
    def rated(self) -> Any:  # noqa: ANN401 - an array of truths
        """Return where kW/ton can be said."""
        return np.isfinite(self.total) & np.isfinite(self.cooling) & (self.cooling > max(self.floor_kw, 0.0))


def seen_of(series: Series, groups: Sequence[Group], from_ms: int, count: int, low_kw: float) -> Seen:
    """Return what was seen, group by group; a group is known where all its meters are."""
    unknown = np.full(count, np.nan)
    power = tuple(np.sum([series.get(name, unknown) for name in group.signals], axis=0) for group in groups)
    cooling, rejection, wet_bulb = (series.get(name, unknown) for name in (COOLING, REJECTION, WET_BULB))
    return Seen(from_ms, tuple(groups), power, cooling, rejection, wet_bulb, low_kw)


def summary(seen: Seen) -> dict[str, Any]:
    """Return the sums of the whole stretch [kWh, h, kW/ton]; None where nothing was seen."""
    powered, rated = np.isfinite(seen.total), seen.rated
    tons_h = _sum(seen.cooling, rated) / KW_PER_TON
    rows = []
    for group, power in zip(seen.groups, seen.power, strict=True):
        rows.append(
            {
                "id": group.id,
                "label": group.label,
                "meters": list(group.signals),
                "energy_kwh": _sum(power, powered) if powered.any() else None,
                "kw_per_ton": _sum(power, rated) / tons_h if tons_h > 0 else None,
                "hours": float(np.isfinite(power).sum() * BIN_H),
            }
        )
    return {
        "groups": rows,
        "energy_kwh": _sum(seen.total, powered) if powered.any() else None,
        "cooling_kwh": _sum(seen.cooling, rated) if rated.any() else None,
        "rated_energy_kwh": _sum(seen.total, rated) if rated.any() else None,
        "kw_per_ton": _sum(seen.total, rated) / tons_h if tons_h > 0 else None,
        "hours": seen.cooling.size * BIN_H,
        "power_hours": float(powered.sum() * BIN_H),
        "rated_hours": float(rated.sum() * BIN_H),
        "load_hours": float(np.isfinite(seen.cooling).sum() * BIN_H),
        "floor_kw": seen.floor_kw,
    }


def over_time(seen: Seen, each: int) -> dict[str, Any]:
    """Return kW/ton of each group, mean load and heat balance over every ``each`` intervals."""
    rated = seen.rated
    tons = folded(np.where(rated, seen.cooling, 0.0), each) / KW_PER_TON
    ratio = [_quotient(folded(np.where(rated, power, 0.0), each), tons) for power in seen.power]
    loaded = np.isfinite(seen.cooling)
    load = _quotient(folded(np.where(loaded, seen.cooling, 0.0), each), folded(loaded.astype(float), each))
    start = seen.from_ms + np.arange(load.size, dtype=np.int64) * BIN_MS * each
    return {
        "step_ms": BIN_MS * each,
        "start_ms": start.tolist(),
        "kw_per_ton": {group.id: row.tolist() for group, row in zip(seen.groups, ratio, strict=True)},
        "load_kw": load.tolist(),
        "heat_balance_pct": _balance(seen, each).tolist(),
    }


def _balance(seen: Seen, each: int) -> Floats:
    """Return the heat balance of the sums; NaN where a part of it is unknown."""
    chillers = [row for group, row in zip(seen.groups, seen.power, strict=True) if group.id == "chillers"]
    if not chillers:
        return np.full(seen.cooling.size // each, np.nan)
    known = seen.rated & np.isfinite(seen.rejection) & np.isfinite(chillers[0])
    sums = [folded(np.where(known, row, 0.0), each) for row in (seen.cooling, chillers[0], seen.rejection)]
    some = sums[2] > 0
    out = np.full(some.size, np.nan)
    if some.any():
        out[some] = heat_balance_pct(*(row[some] for row in sums))
    return out


def duration(seen: Seen) -> dict[str, Any]:
    """Return the load that is reached or passed for a share of the hours in which it was known."""
    known = np.sort(seen.cooling[np.isfinite(seen.cooling)])[::-1]
    if not known.size:
        return {"hours": 0.0, "load_kw": []}
    place = np.linspace(0, known.size - 1, CURVE_POINTS).round().astype(int)
    return {"hours": float(known.size * BIN_H), "load_kw": known[place].tolist()}


def hourly(seen: Seen, step_ms: int = BIN_MS) -> tuple[Ints, Floats, Floats, Floats]:
    """Return whole hours that have a rating: number since 1970, energy [kWh], cooling [kWh], wet bulb [degC]."""
    ok = seen.rated & np.isfinite(seen.wet_bulb)
    hour = (seen.from_ms + np.arange(seen.cooling.size, dtype=np.int64) * step_ms)[ok] // HOUR_MS
    names, place = np.unique(hour, return_inverse=True)
    sums = [np.bincount(place, row[ok], names.size) for row in (seen.total, seen.cooling, seen.wet_bulb)]
    share = step_ms / HOUR_MS
    counted = np.maximum(np.bincount(place, minlength=names.size), 1)
    energy, cooling, wet_bulb = sums[0] * share, sums[1] * share, sums[2] / counted
    return names.astype(np.int64), np.asarray(energy), np.asarray(cooling), np.asarray(wet_bulb)


def against_best(seen: Seen, own: Seen, full_kw: float) -> dict[str, Any]:
    """Return how far the stretch stood from the best tenth of like hours of the plant's own past."""
    told: dict[str, Any] = {
        "history_hours": 0, "hours": 0.0, "gap_kwh": None, "gap_pct": None, "why_not": "", "cells": [],
        "needs": f"{BEST_HOURS_MIN} hours on {BEST_DAYS_MIN} days at like load and wet bulb",
    }  # fmt: skip
    if not np.isfinite(full_kw) or full_kw <= 0:
        return {
            **told,
            "why_not": "a chiller has no cooling_capacity in the plant description, so loads cannot be compared",
        }
    names, energy, cooling, wet = hourly(own, HOUR_MS)
    told["history_hours"] = int(names.size)
    best = _best(_cells(cooling, wet, full_kw), energy / cooling * KW_PER_TON if names.size else energy, names)
    now_hours, used, cooled, now_wet = hourly(seen)
    cells = _cells_scaled(seen, now_hours, cooled, now_wet, full_kw)
    reached = np.array([best.get(cell, (np.nan, 0))[0] for cell in cells], np.float64)
    ok = np.isfinite(reached)
    told["hours_rated"] = int(now_hours.size)
    if not ok.any():
        return {**told, "why_not": f"there are not yet {told['needs']} to compare with"}
    could = float(np.sum(reached[ok] * cooled[ok] / KW_PER_TON))
    gap = float(np.sum(used[ok])) - could
    rows = [
        {"load_pct": cell[0] * LOAD_STEP * 100, "wet_bulb_c": cell[1] * WET_BULB_STEP_K, "kw_per_ton": best[cell][0], "n": best[cell][1]}
        for cell in sorted({cell for cell, known in zip(cells, ok, strict=True) if known})
    ]  # fmt: skip
    return {
        **told,
        "hours": int(ok.sum()),
        "gap_kwh": gap,
        "gap_pct": 100 * gap / could if could > 0 else None,
        "cells": rows,
    }


def _cells_scaled(seen: Seen, hours: Ints, cooled: Floats, wet: Floats, full_kw: float) -> list[tuple[int, int]]:
    """Return the cell of each hour of the stretch; an hour seen in part counts by its mean load."""
    ok = seen.rated & np.isfinite(seen.wet_bulb)
    at = (seen.from_ms + np.arange(seen.cooling.size, dtype=np.int64) * BIN_MS)[ok] // HOUR_MS
    counted = np.bincount(np.searchsorted(hours, at), minlength=hours.size) if hours.size else np.ones(0)
    return _cells(cooled / np.maximum(counted * BIN_H, BIN_H), wet, full_kw)


def _cells(load_kw: Floats, wet_bulb_c: Floats, full_kw: float) -> list[tuple[int, int]]:
    loads = np.floor(load_kw / full_kw / LOAD_STEP).astype(int).tolist()
    return list(zip(loads, np.floor(wet_bulb_c / WET_BULB_STEP_K).astype(int).tolist(), strict=True))


def _best(cells: Sequence[tuple[int, int]], ratio: Floats, hours: Ints) -> dict[tuple[int, int], tuple[float, int]]:
    """Return kW/ton of the best tenth and the number of hours, of cells with enough of them."""
    of: dict[tuple[int, int], list[int]] = {}
    for place, cell in enumerate(cells):
        of.setdefault(cell, []).append(place)
    return {
        cell: (float(np.quantile(ratio[places], BEST_SHARE)), len(places))
        for cell, places in of.items()
        if len(places) >= BEST_HOURS_MIN and np.unique(hours[places] // 24).size >= BEST_DAYS_MIN
    }


def _sum(row: Floats, chosen: Any) -> float:  # noqa: ANN401 - an array of truths
    return float(np.sum(row[chosen]) * BIN_H)


def folded(row: Floats, each: int) -> Floats:
    """Return the sums of every ``each`` intervals."""
    return np.asarray(row[: row.size // each * each].reshape(-1, each).sum(axis=1))


def _quotient(above: Floats, below: Floats) -> Floats:
    return np.asarray(np.divide(above, below, out=np.full(above.shape, np.nan), where=below > 0))
