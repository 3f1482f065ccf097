"""Folds a loop at its two ends: which stage stands where, or why it cannot be drawn truly."""

from __future__ import annotations

from collections.abc import Iterable

from plantview.model.plant import Loop, Plant, Stage
from plantview.web.schematic.taps import links_between, taps_of, top_headers
from plantview.web.schematic.topology import (
    BESIDE,
    ENDS,
    LEFT,
    RIGHT,
    Branch,
    Column,
    NotDrawn,
    Span,
    chain_of,
    is_bulky,
    machines_of,
)

Step = tuple[Branch, ...]


def span_of(plant: Plant, loop: Loop) -> Span:
    """Return how a loop folds between its ends; NotDrawn says why it cannot."""
    ends = {LEFT: _end(plant, loop, 0), RIGHT: _end(plant, loop, 1)}
    left, right = _branches(loop, ends[LEFT]), _branches(loop, ends[RIGHT])
    between = [stage for stage in loop.stages if stage not in ends[LEFT] and stage not in ends[RIGHT]]
    in_mains = [stage for stage in between if _is_main_valve(plant, stage)]
    columns = _columns(plant, loop, left, right, [stage for stage in between if stage not in in_mains])
    taps = taps_of(plant, left, right, columns)
    top = top_headers(plant, loop, left, right)
    links = links_between(plant, loop, taps, [_branches(loop, [stage])[0] for stage in in_mains], top)
    return Span(loop, left, right, columns, taps, links, top)


def _branches(loop: Loop, stages: Iterable[Stage]) -> Step:
    return tuple(
        Branch(f"{loop.id}/{stage.id}/{index}", ports, stage.start, stage.end)
        for stage in stages
        for index, ports in enumerate(stage.branches)
    )


def _end(plant: Plant, loop: Loop, side: int) -> tuple[Stage, ...]:
    """Return the stages whose machines stand at the left (0) or right (1) end, the chillers first."""
    kind = ENDS[loop.water][side]
    kinds = BESIDE.get(kind, (kind,))
    stages = sorted((stage for stage in loop.stages if stage.kind in kinds), key=lambda stage: kinds.index(stage.kind))
    if not stages:
        raise NotDrawn(f"loop {loop.id} has no stage of kind {kind}")
    for branch in _branches(loop, stages):
        if any(plant.equipment[port.equipment].kind not in kinds for port in machines_of(plant, branch)):
            raise NotDrawn(f"branch {branch.key} has machines of both ends of its loop")
    return tuple(stages)


def _is_main_valve(plant: Plant, stage: Stage) -> bool:
    return len(stage.branches) == 1 and all(plant.equipment[port.equipment].kind == "valve" for port in stage.ports())


def _is_eastward(loop: Loop, stage: Stage) -> bool:
    """Return whether what leaves a stage meets the right end of its loop before the left one."""
    left, right = ENDS[loop.water]
    at, seen = stage.end, {stage.end}
    while True:
        after = [one for one in loop.stages if one.start == at]
        if any(one.kind == left for one in after):
            return False
        if not after or any(one.kind in BESIDE.get(right, (right,)) for one in after):
            return True
        at = after[0].end
        if at in seen:
            return True
        seen.add(at)


def _columns(plant: Plant, loop: Loop, left: Step, right: Step, between: list[Stage]) -> tuple[Column, ...]:
    own_left = [_own_column(plant, left, chain, LEFT) for chain in ("in", "out")]
    own_right = [_own_column(plant, right, chain, RIGHT) for chain in ("out", "in")]
    back = [stage for stage in between if not _is_eastward(loop, stage)]
    supply = [stage for stage in between if stage not in back]
    headered = [_headered(loop, stages, eastward=False) for stages in reversed(_by_rank(back))]
    headered += [_headered(loop, stages, eastward=True) for stages in _by_rank(supply)]
    return tuple(column for column in (*own_left, *headered, *own_right) if column is not None)


def _by_rank(stages: list[Stage]) -> list[list[Stage]]:
    """Return stages one behind the other in flow order; those side by side share a column."""
    rank: dict[str, int] = {}
    for _ in stages:
        for stage in stages:
            before = [rank.get(one.id, 0) for one in stages if one.end == stage.start and one is not stage]
            rank[stage.id] = min(1 + max(before, default=-1), len(stages) - 1)
    found: dict[int, list[Stage]] = {}
    for stage in stages:
        found.setdefault(rank[stage.id], []).append(stage)
    return [found[at] for at in sorted(found)]


def _headered(loop: Loop, stages: list[Stage], eastward: bool) -> Column:
    branches = _branches(loop, stages)
    return Column(branches, tuple(branch.ports for branch in branches), eastward, "")


def _own_column(plant: Plant, branches: Step, chain: str, end: str) -> Column | None:
    pumps = tuple(tuple(p for p in chain_of(plant, b, chain) if is_bulky(plant, p)) for b in branches)
    if not any(pumps):
        return None
    return Column(branches, pumps, (chain == "in") == (end == RIGHT), end)
