"""Which chiller is next to start, said only where the points leave no doubt.

The one that stands ready with the fewest run hours is next (common practice, no source); a plant whose points
do not tell the hours of every ready one is told nothing.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import replace
from typing import Final

from plantview.derive.conditions_observed import Observed
from plantview.model.operation import Condition, Operation
from plantview.model.plant import Equipment

NEXT: Final = "next to start"
BY_HOURS: Final = f"{NEXT} by run hours"
_NOT_KNOWN: Final = frozenset({Operation.UNKNOWN, Operation.NO_COMMS})


def next_to_start(
    observed: Observed, chillers: Iterable[Equipment], found: Mapping[str, Condition]
) -> dict[str, Condition]:
    """Return the condition of the chiller that is next to start, saying so; nothing where none can be named."""
    several = tuple(chillers)
    if len(several) < 2 or any(found[item.id].operation in _NOT_KNOWN for item in several):
        return {}
    ready = [item.id for item in several if found[item.id].operation is Operation.OFF and not found[item.id].hand]
    first = _first(observed, ready)
    if first is None or found[first].detail:
        return {}
    return {first: replace(found[first], detail=NEXT if len(ready) == 1 else BY_HOURS)}


def _first(observed: Observed, ready: list[str]) -> str | None:
    if len(ready) < 2:
        return ready[0] if ready else None
    hours = {name: observed.number(name, "run_hours") for name in ready}
    known = [(value, name) for name, value in hours.items() if value is not None]
    fewest = sorted(known)
    if len(known) < len(ready) or fewest[0][0] == fewest[1][0]:
        return None
    return fewest[0][1]
