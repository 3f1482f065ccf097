"""Where water can move: every branch and bypass as a path, and the rings that a running pump drives.

Water moves through a path if a ring through it is open all along and something in the
ring drives it: a pump that runs, or a flow that a meter or a flow switch proves.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from typing import Final

from plantview.derive.conditions_observed import Observed
from plantview.derive.conditions_valves import CLOSED_PCT
from plantview.derive.flows_measured import measured, proven
from plantview.model.operation import Condition, Operation
from plantview.model.plant import Loop, Port

_PASSABLE: Final = {
    Operation.RUN: True,
    Operation.OFF: False,
    Operation.TRIPPED: False,
    Operation.NOT_AVAILABLE: False,
}
"""A pump that stands is closed by its check valve (common practice, no source); others are unknown."""


@dataclass(frozen=True, slots=True)
class Path:
    """One branch of a stage, or one bypass."""

    key: str
    """``<loop>/<stage>/<branch index>`` or ``<loop>/<bypass>``."""
    group: str
    """``<loop>/<stage>`` or ``<loop>/<bypass>``: parallel branches share it."""
    start: str
    end: str
    ports: tuple[Port, ...]
    either_way: bool


@dataclass(frozen=True, slots=True)
class Passage:
    """What is known of one path by itself."""

    open: bool | None
    drives: bool | None
    """Whether it makes water move by itself."""


def paths(loop: Loop) -> Iterator[Path]:
    """Yield the branches in ring order, then the bypasses."""
    for stage in loop.stages:
        group = f"{loop.id}/{stage.id}"
        for index, branch in enumerate(stage.branches):
            yield Path(f"{group}/{index}", group, stage.start, stage.end, branch, either_way=False)
    for bypass in loop.bypasses:
        key = f"{loop.id}/{bypass.id}"
        yield Path(key, key, bypass.start, bypass.end, tuple(Port(via, "") for via in bypass.via), bypass.either_way)


def moving(observed: Observed, loop: Loop, conditions: Mapping[str, Condition]) -> dict[str, bool | None]:
    """Return for every path of a loop whether water moves; ``conditions`` hold at least pumps and valves."""
    known = {path: passage(observed, path, conditions) for path in paths(loop)}
    if all(found.drives is False and not _has_pump(observed, path) for path, found in known.items()):
        # nothing described drives this loop, so its pumps stand elsewhere: only a closed path is certain
        return {path.key: False if found.open is False else None for path, found in known.items()}
    certain = {path: found for path, found in known.items() if found.open}
    possible = {path: found for path, found in known.items() if found.open is not False}
    possible_ways = _ways(possible, allow_unknown=True)
    certain_ways = _ways(certain, allow_unknown=False)
    result: dict[str, bool | None] = {}
    for path, found in known.items():
        if found.open is False or not _ring(path, possible_ways, drives=found.drives is not False):
            result[path.key] = False
        elif path.either_way and not _must_carry(path, possible):
            result[path.key] = None
        else:
            result[path.key] = True if found.open and _ring(path, certain_ways, drives=bool(found.drives)) else None
    return result


def passage(observed: Observed, path: Path, conditions: Mapping[str, Condition]) -> Passage:
    """Return whether a path by itself lets water through and drives it."""
    witness = witnessed(observed, path)
    if witness is not None:
        return Passage(witness, witness)
    states = [_port_open(observed, port, conditions) for port in path.ports]
    is_open = False if False in states else (None if None in states else True)
    return Passage(is_open, is_open if _has_pump(observed, path) else False)


def witnessed(observed: Observed, path: Path) -> bool | None:
    """Return whether a flow meter or a flow switch says that water moves; None without either."""
    flow = measured(observed, path.ports)
    return flow.moving if flow is not None else proven(observed, path.ports)


def _has_pump(observed: Observed, path: Path) -> bool:
    return any(observed.plant.equipment[port.equipment].kind == "pump" for port in path.ports)


def _port_open(observed: Observed, port: Port, conditions: Mapping[str, Condition]) -> bool | None:
    item = observed.plant.equipment[port.equipment]
    if item.kind == "pump":
        return _PASSABLE.get(conditions[item.id].operation)
    if item.kind == "valve":
        return True if item.traits.get("way", "").startswith("three") else _PASSABLE.get(conditions[item.id].operation)
    if item.kind == "tower_cell":
        return _cell_open(observed, item.id)
    return True


def _cell_open(observed: Observed, cell: str) -> bool | None:
    if observed.has(cell, "isolation_valve"):
        open_pct = observed.number(cell, "isolation_valve")
        return None if open_pct is None else open_pct > CLOSED_PCT
    if observed.has(cell, "isolation_valve_command"):
        return observed.state(cell, "isolation_valve_command")
    return True


def _must_carry(path: Path, possible: Mapping[Path, Passage]) -> bool:
    """Return whether one side of a decoupler stands, so that the other side's flow has to pass it."""
    others = [other for other in possible if other is not path]
    return not (_reaches(others, path.end, path.start) and _reaches(others, path.start, path.end))


def _reaches(usable: list[Path], start: str, goal: str) -> bool:
    seen = {start}
    edge = [start]
    while edge:
        at = edge.pop()
        for path in usable:
            if path.start == at and path.end not in seen:
                seen.add(path.end)
                edge.append(path.end)
    return goal in seen


Ways = Mapping[tuple[str, str], bool]
"""From header to header: whether any of the usable paths there drives the water."""


def _ways(usable: Mapping[Path, Passage], *, allow_unknown: bool) -> Ways:
    ways: dict[tuple[str, str], bool] = {}
    for path, found in usable.items():
        drives = bool(found.drives) or (allow_unknown and found.drives is None)
        for arc in _arcs(path):
            ways[arc] = ways.get(arc, False) or drives
    return ways


def _ring(path: Path, ways: Ways, *, drives: bool) -> bool:
    """Return whether a ring of usable ways through ``path``, itself usable, is driven."""
    return any(_closes(ways, end, start, drives, frozenset({end})) for start, end in _arcs(path))


def _arcs(path: Path) -> tuple[tuple[str, str], ...]:
    forward = (path.start, path.end)
    return (forward, forward[::-1]) if path.either_way else (forward,)


def _closes(arcs: Ways, at: str, goal: str, driven: bool, seen: frozenset[str]) -> bool:
    if at == goal:
        return driven
    return any(
        _closes(arcs, end, goal, driven or drives, seen | {end})
        for (start, end), drives in arcs.items()
        if start == at and end not in seen
    )
