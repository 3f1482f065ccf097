"""Folds a loop at its two end machines: which stage stands where, or why it cannot be drawn truly."""

from __future__ import annotations

from collections.abc import Iterable

from plantview.model.plant import Loop, Plant, Stage
from plantview.web.schematic.taps import links_between, taps_of, top_headers
from plantview.web.schematic.topology import (
    ENDS,
    LEFT,
    RIGHT,
    Branch,
    Column,
    NotDrawn,
    Span,
    chain_of,
    is_bulky,
)


def span_of(plant: Plant, loop: Loop) -> Span:
    """Return how a loop folds between its end machines; NotDrawn says why it cannot."""
    left_kind, right_kind = ENDS[loop.water]
    left, right = _end(loop, left_kind), _end(loop, right_kind)
    supply = _steps(loop, left[0].end, right[0].start)
    back = _steps(loop, right[0].end, left[0].start)
    _all_placed(loop, [left, right, *supply, *back])
    in_mains = [step for step in (*supply, *back) if _is_main_valve(plant, step)]
    columns = _columns(
        plant, left, right, [s for s in supply if s not in in_mains], [s for s in back if s not in in_mains]
    )
    taps = taps_of(left, right, columns)
    links = links_between(loop, taps, [step[0] for step in in_mains], set(top_headers(loop, left, right)))
    return Span(loop, left, right, columns, taps, links)


def _branches(loop: Loop, stages: Iterable[Stage]) -> tuple[Branch, ...]:
    return tuple(
        Branch(f"{loop.id}/{stage.id}/{index}", ports, stage.start, stage.end)
        for stage in stages
        for index, ports in enumerate(stage.branches)
    )


def _end(loop: Loop, kind: str) -> tuple[Branch, ...]:
    stages = loop.stages_of(kind)
    if not stages:
        raise NotDrawn(f"loop {loop.id} has no stage of kind {kind}")
    if len({(stage.start, stage.end) for stage in stages}) > 1:
        raise NotDrawn(f"loop {loop.id} has {kind} stages between different headers")
    return _branches(loop, stages)


def _steps(loop: Loop, start: str, end: str) -> list[tuple[Branch, ...]]:
    steps: list[tuple[Branch, ...]] = []
    at = start
    while at != end:
        stages = [stage for stage in loop.stages if stage.start == at]
        ends = {stage.end for stage in stages}
        if len(ends) != 1 or len(steps) > len(loop.headers):
            raise NotDrawn(f"loop {loop.id} parts at header {at}")
        steps.append(_branches(loop, stages))
        at = ends.pop()
    return steps


def _all_placed(loop: Loop, steps: Iterable[tuple[Branch, ...]]) -> None:
    placed = {branch.key for step in steps for branch in step}
    missing = [branch.key for branch in _branches(loop, loop.stages) if branch.key not in placed]
    if missing:
        raise NotDrawn(f"stage {missing[0].split('/')[1]} of loop {loop.id} stands beside the others")


def _is_main_valve(plant: Plant, step: tuple[Branch, ...]) -> bool:
    return len(step) == 1 and all(plant.equipment[port.equipment].kind == "valve" for port in step[0].ports)


def _columns(
    plant: Plant,
    left: tuple[Branch, ...],
    right: tuple[Branch, ...],
    supply: list[tuple[Branch, ...]],
    back: list[tuple[Branch, ...]],
) -> tuple[Column, ...]:
    own_left = [_own_column(plant, left, chain, LEFT) for chain in ("in", "out")]
    own_right = [_own_column(plant, right, chain, RIGHT) for chain in ("out", "in")]
    headered = [_headered(step, eastward=False) for step in reversed(back)]
    headered += [_headered(step, eastward=True) for step in supply]
    return tuple(column for column in (*own_left, *headered, *own_right) if column is not None)


def _headered(step: tuple[Branch, ...], eastward: bool) -> Column:
    return Column(step, tuple(branch.ports for branch in step), eastward, "")


def _own_column(plant: Plant, branches: tuple[Branch, ...], chain: str, end: str) -> Column | None:
    pumps = tuple(tuple(p for p in chain_of(plant, b, chain) if is_bulky(plant, p)) for b in branches)
    if not any(pumps):
        return None
    return Column(branches, pumps, (chain == "in") == (end == RIGHT), end)
