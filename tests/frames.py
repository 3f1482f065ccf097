"""Frames made by hand: a plant that runs as its points would say, and the changes a test makes to it."""

from __future__ import annotations

from typing import TYPE_CHECKING

from plantview.model.quality import Quality
from plantview.model.reading import Frame, Reading, bad, good

if TYPE_CHECKING:
    from collections.abc import Iterable, Mapping

    from plantview.model.plant import Plant

NOW_MS = 1_764_000_000_000

Change = float | str | Reading
"""A number in the device's unit, the word of a state, or a whole reading."""


def state_number(plant: Plant, name: str, word: str) -> float:
    """Return the number that stands for a state's word at one point."""
    return float(next(number for number, found in plant.points[name].states.items() if found == word))


def frame_of(plant: Plant, changes: Mapping[str, Change]) -> Frame:
    """Return a frame that holds exactly these readings; every other point was never read."""
    return Frame(1, NOW_MS, {name: _reading(plant, name, change) for name, change in changes.items()})


def _reading(plant: Plant, name: str, change: Change) -> Reading:
    assert name in plant.points, f"{plant.id} has no point {name}"
    if isinstance(change, Reading):
        return change
    return good(state_number(plant, name, change) if isinstance(change, str) else change, NOW_MS)


def silence(plant: Plant, devices: Iterable[str], *, stale: bool = False) -> dict[str, Reading]:
    """Return for every point of these devices what the history says of a device that stopped answering."""
    if stale:
        gone = Reading(1.0, Quality.STALE, "no answer in 2 s; value is 20 s old", NOW_MS - 20_000)
    else:
        gone = bad("no answer in 2 s; last value 2 min ago", NOW_MS - 120_000)
    return {name: gone for name, point in plant.points.items() if point.device in set(devices)}
