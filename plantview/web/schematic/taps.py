"""Where branches meet the mains, and which runs and links join the mains."""

from __future__ import annotations

from collections.abc import Iterable
from itertools import pairwise

from plantview.model.plant import Bypass, Loop
from plantview.web.schematic.topology import LEFT, RIGHT, Branch, Column, Link, Tap


def taps_of(left: tuple[Branch, ...], right: tuple[Branch, ...], columns: tuple[Column, ...]) -> tuple[Tap, ...]:
    """Return all taps; a branch that needs no column of its own goes to the gap where its header has a main anyway."""
    fixed = [tap for index, column in enumerate(columns) for tap in _column_taps(index, column)]
    lefts = [c for c in columns if c.of_end == LEFT]
    rights = [c for c in columns if c.of_end == RIGHT]
    ranges = {
        LEFT: list(range(len(lefts) + 1)),
        RIGHT: list(range(len(columns), len(columns) - len(rights) - 1, -1)),
    }
    flexible: list[tuple[str, str, tuple[Branch, ...]]] = []
    for end, branches, own in ((LEFT, left, lefts), (RIGHT, right, rights)):
        for role in ("in", "out"):
            pumped = any((role == "in") == (column.eastward == (end == RIGHT)) for column in own)
            if pumped:
                fixed += _end_taps(end, branches, role, ranges[end][-1])
            else:
                flexible.append((end, role, branches))
    for end, role, branches in sorted(flexible, key=lambda item: len(ranges[item[0]])):
        header = branches[0].start if role == "in" else branches[0].end
        there = {tap.gap for tap in fixed if tap.header == header}
        gap = next((gap for gap in ranges[end] if gap in there), ranges[end][0])
        fixed += _end_taps(end, branches, role, gap)
    return tuple(fixed)


def _column_taps(index: int, column: Column) -> list[Tap]:
    if column.of_end:
        return []
    before, after = (index, index + 1) if column.eastward else (index + 1, index)
    taps = []
    for lane, branch in enumerate(column.branches):
        at = (f"column {index}", lane)
        taps.append(Tap(branch.start, before, branch, at, "in", from_left=not column.eastward))
        taps.append(Tap(branch.end, after, branch, at, "out", from_left=column.eastward))
    return taps


def _end_taps(end: str, branches: tuple[Branch, ...], role: str, gap: int) -> list[Tap]:
    return [
        Tap(branch.start if role == "in" else branch.end, gap, branch, (end, lane), role, from_left=end == LEFT)
        for lane, branch in enumerate(branches)
    ]


def top_headers(loop: Loop, left: tuple[Branch, ...], right: tuple[Branch, ...]) -> Iterable[str]:
    """Yield the headers of the pipe that leaves the chiller: it leaves at the top."""
    chiller, other = (left, right) if loop.water == "chilled" else (right, left)
    at = chiller[0].end
    while at != other[0].start:
        yield at
        at = next(stage.end for stage in loop.stages if stage.start == at)
    yield at


def links_between(loop: Loop, taps: tuple[Tap, ...], valves: list[Branch], top: set[str]) -> tuple[Link, ...]:
    """Return the valves in mains, the bypasses, and the runs that join the mains of one header."""
    gaps: dict[str, list[int]] = {
        header: sorted({t.gap for t in taps if t.header == header}) for header in loop.headers
    }
    links: list[Link] = []
    for branch in valves:
        start, end = _nearest(gaps, branch.start, branch.end)
        via = tuple(port.equipment for port in branch.ports)
        links.append(Link(start, end, branch.key, branch.key.split("/")[1], via, False, branch.start in top))
    links += [_bypass_link(loop, bypass, gaps) for bypass in loop.bypasses]
    for header, at in gaps.items():
        links += [Link((header, one), (header, two), "", header, (), False, header in top) for one, two in pairwise(at)]
    return tuple(links)


def _bypass_link(loop: Loop, bypass: Bypass, gaps: dict[str, list[int]]) -> Link:
    start, end = _nearest(gaps, bypass.start, bypass.end)
    return Link(
        start,
        end,
        f"{loop.id}/{bypass.id}",
        bypass.id,
        bypass.via,
        bypass.either_way,
        loop.water == "condenser",
    )


def _nearest(gaps: dict[str, list[int]], start: str, end: str) -> tuple[tuple[str, int], tuple[str, int]]:
    # a header between two valves has no branch that taps it: its main stands beside its neighbour's
    for header, other in ((start, end), (end, start)):
        gaps[header] = gaps[header] or gaps[other][:1] or [0]
    one, two = min(
        ((a, b) for a in gaps[start] for b in gaps[end]),
        key=lambda pair: (abs(pair[0] - pair[1]), -pair[0]),
    )
    return (start, one), (end, two)
