"""A stretch of readings, all points side by side, in the units of calculations."""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from typing import Final

import numpy as np

from plantview.model.columns import Flags, Floats, Ints
from plantview.model.plant import Plant
from plantview.model.point import Point
from plantview.model.quality import Quality

REFUSED: Final = re.compile(r"(-?\d[\d.]*(?:e[+-]?\d+)?)(?: \S+){0,2} is (?:outside|below|above) -?\d")
"""The reason of a reading beyond its point's range begins with the number that the device reported."""


def told_number(reason: str) -> float:
    """Return the number that a device reported beyond a point's range, in its unit; NaN where the reason has none."""
    found = REFUSED.match(reason)
    return float(found.group(1)) if found else np.nan


@dataclass(frozen=True, slots=True)
class Window:
    """Values of shape (n,) by point name at the moments ``at_ms``; NaN where there is none."""

    at_ms: Ints
    values: Mapping[str, Floats]
    refrigerants: Mapping[str, str] = field(default_factory=dict)
    """Chiller -> refrigerant, where another than the described one is tried."""
    absolute: frozenset[str] = frozenset()
    """Pressure points of a gauge unit whose numbers are tried as absolute."""
    gauge: frozenset[str] = frozenset()
    """The other way round."""

    def of(self, name: str) -> Floats:
        """Return the canonical values of a point."""
        found = self.values.get(name)
        return np.full(self.at_ms.size, np.nan) if found is None else found

    def on(self, name: str, words: Mapping[int, bool]) -> Flags:
        """Return where a state has one of the numbers that mean on."""
        states = self.of(name)
        return np.isin(states, [number for number, on in words.items() if on])

    def with_values(self, changed: Mapping[str, Floats]) -> Window:
        """Return the same stretch with other values of some points."""
        return replace(self, values={**self.values, **changed})


def window_of(
    plant: Plant,
    at_ms: Ints,
    reported: Mapping[str, Floats],
    period_ms: int,
    beyond: Mapping[str, Floats] | None = None,
) -> Window:
    """Return reported numbers as a window on a regular grid: at each moment the last number, at most two periods old.

    ``beyond`` holds numbers that were refused as out of range, by point, of the same shape; a wrong unit shows in them.
    """
    if not at_ms.size:
        return Window(at_ms, {})
    grid = np.arange(at_ms[-1], at_ms[0] - 1, -period_ms)[::-1]
    values: dict[str, Floats] = {}
    for name, numbers in reported.items():
        point = plant.points[name]
        spare = beyond.get(name) if beyond else None
        seen = numbers if spare is None else np.where(np.isfinite(numbers), numbers, spare)
        values[name] = _last_known(at_ms, _canonical(point, seen), grid, 2 * period_ms)
    return Window(grid, values)


def _canonical(point: Point, numbers: Floats) -> Floats:
    return numbers if point.states else numbers * point.unit.factor + point.unit.offset


def _last_known(at_ms: Ints, numbers: Floats, grid: Ints, age_ms: int) -> Floats:
    known = np.isfinite(numbers)
    if not known.any():
        return np.full(grid.size, np.nan)
    times, told = at_ms[known], numbers[known]
    places = np.searchsorted(times, grid, side="right") - 1
    near = (places >= 0) & (grid - times[np.maximum(places, 0)] <= age_ms)
    return np.where(near, told[np.maximum(places, 0)], np.nan)


def refused_numbers(values: Floats, quality: Sequence[int], reasons: Sequence[str]) -> Floats:
    """Return the numbers told in the reasons of readings that were out of range; NaN elsewhere."""
    found = np.full(values.size, np.nan)
    for place, mark in enumerate(quality):
        if mark == Quality.BAD:
            found[place] = told_number(reasons[place])
    return found
