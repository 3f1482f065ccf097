"""Where branches meet the mains, and which runs and links join the mains."""

from __future__ import annotations

from itertools import pairwise

from plantview.model.plant import Bypass, Loop, Plant
from plantview.web.schematic.topology import LEFT, RIGHT, Branch, Column, Link, Tap, chain_of, is_bulky, machine_of


def taps_of(
    plant: Plant, left: tuple[Branch, ...], right: tuple[Branch, ...], columns: tuple[Column, ...]
) -> tuple[Tap, ...]:
    """Return all taps; a branch that needs no column of its own goes to the gap where its header has a main anyway."""
    found = [tap for index, column in enumerate(columns) for tap in _column_taps(index, column)]
    last = len(columns)
    own = {end: sum(column.of_end == end for column in columns) for end in (LEFT, RIGHT)}
    near = {LEFT: list(range(own[LEFT] + 1)), RIGHT: list(range(last, last - own[RIGHT] - 1, -1))}
    flexible: list[tuple[list[int], Tap]] = []
    for end, branches in ((LEFT, left), (RIGHT, right)):
        for role in ("in", "out"):
            for lane, branch in enumerate(branches):
                tap = _end_tap(end, branch, lane, role, near[end][-1])
                if any(is_bulky(plant, port) for port in chain_of(plant, branch, role)):
                    found.append(tap)
                else:
                    flexible.append((_reach(plant, branch, end, near[end], last), tap))
    for reach, tap in sorted(flexible, key=lambda item: len(item[0])):
        there = {other.gap for other in found if other.header == tap.header}
        gap = next((gap for gap in reach if gap in there), reach[0])
        found.append(_end_tap(tap.lane[0], tap.branch, tap.lane[1], tap.role, gap))
    return tuple(found)


def _reach(plant: Plant, branch: Branch, end: str, near: list[int], last: int) -> list[int]:
    """Return the gaps that a stub may reach, the nearest first: below the columns it may pass them all."""
    if plant.equipment[machine_of(plant, branch).equipment].kind != "heat_exchanger":
        return near
    return list(range(last + 1)) if end == LEFT else list(range(last, -1, -1))


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


def _end_tap(end: str, branch: Branch, lane: int, role: str, gap: int) -> Tap:
    header = branch.start if role == "in" else branch.end
    return Tap(header, gap, branch, (end, lane), role, from_left=end == LEFT)


def flows_down(plant: Plant, branch: Branch) -> bool:
    """Return whether machines in series are passed from the upper to the lower: in the order of the description."""
    order = list(plant.equipment)
    first, last = machine_of(plant, branch, "in"), machine_of(plant, branch, "out")
    return order.index(first.equipment) < order.index(last.equipment)


def top_headers(plant: Plant, loop: Loop, left: tuple[Branch, ...], right: tuple[Branch, ...]) -> frozenset[str]:
    """Return the headers of the pipe that leaves the chillers: it leaves at the top, unless they are passed downwards."""
    chiller, other = (right, left) if loop.water == "condenser" else (left, right)
    at, found = chiller[0].end, set[str]()
    while at not in found:
        found.add(at)
        if any(branch.start == at for branch in other):
            break
        at = next((stage.end for stage in loop.stages if stage.start == at), at)
    return frozenset(set(loop.headers) - found if flows_down(plant, chiller[0]) else found)


def links_between(
    plant: Plant, loop: Loop, taps: tuple[Tap, ...], valves: list[Branch], top: frozenset[str]
) -> tuple[Link, ...]:
    """Return the valves in mains, the bypasses, and the runs that join the mains of one header."""
    gaps: dict[str, list[int]] = {
        header: sorted({t.gap for t in taps if t.header == header}) for header in loop.headers
    }
    links: list[Link] = []
    for branch in valves:
        start, end = _nearest(gaps, branch.start, branch.end)
        via = tuple(port.equipment for port in branch.ports)
        links.append(Link(start, end, branch.key, branch.key.split("/")[1], via, False, branch.start in top))
    links += [_bypass_link(plant, loop, bypass, gaps, taps, top) for bypass in loop.bypasses]
    for header, at in gaps.items():
        links += [Link((header, one), (header, two), "", header, (), False, header in top) for one, two in pairwise(at)]
    return tuple(links)


def _bypass_link(
    plant: Plant, loop: Loop, bypass: Bypass, gaps: dict[str, list[int]], taps: tuple[Tap, ...], top: frozenset[str]
) -> Link:
    start, end = _nearest(gaps, bypass.start, bypass.end)
    around = {
        port.equipment
        for tap in taps
        for port in tap.branch.ports
        if plant.equipment[port.equipment].kind == "heat_exchanger"
        and {tap.branch.start, tap.branch.end} == {bypass.start, bypass.end}
    }
    return Link(
        start,
        end,
        f"{loop.id}/{bypass.id}",
        bypass.id,
        bypass.via,
        bypass.either_way,
        loop.water == "condenser" and not {bypass.start, bypass.end}.isdisjoint(top),
        min(around, default="") if start[1] == end[1] else "",
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
