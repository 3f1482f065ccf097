"""Which branch flows make up the flow in each piece of a header.

A header is drawn as a tree: mains, the tees on them where branches tap, and runs that join
the mains. What flows through an edge of a tree is what enters on one side of it, so the
net flow of every piece is a signed sum of branch flows.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable, Mapping
from dataclasses import dataclass

from plantview.web.schematic.geometry import Point
from plantview.web.schematic.scene import Flow


@dataclass(frozen=True, slots=True)
class Edge:
    """A piece of a header between two neighbouring tees."""

    start: Point
    end: Point
    flow: Flow
    """Sums to the net flow from start to end."""


def edges(pieces: Iterable[tuple[Point, Point]], inflows: Mapping[Point, Flow]) -> list[Edge]:
    """Return the pieces with their flows; ``inflows`` says what enters at each tee (leaving = -1).

    Errors: ValueError if the pieces are not one tree.
    """
    pieces = list(pieces)
    neighbours: dict[Point, list[Point]] = defaultdict(list)
    for one, two in pieces:
        neighbours[one].append(two)
        neighbours[two].append(one)
    if pieces and len(pieces) != len(neighbours) - 1:
        raise ValueError("a header's pieces must form one tree")
    return [Edge(one, two, _through(one, two, neighbours, inflows)) for one, two in pieces]


def _through(one: Point, two: Point, neighbours: Mapping[Point, list[Point]], inflows: Mapping[Point, Flow]) -> Flow:
    behind = _entering(one, two, neighbours, inflows)
    ahead = _entering(two, one, neighbours, inflows)
    return behind if _doubt(behind) <= _doubt(ahead) else tuple((key, -sign) for key, sign in ahead)


def _doubt(flow: Flow) -> int:
    """Rank a sum: a bypass is seldom metered, so a side without one is better, then the one with fewer terms."""
    return sum(10 if key.count("/") == 1 else 1 for key, _ in flow)


def _entering(
    tee: Point, without: Point, neighbours: Mapping[Point, list[Point]], inflows: Mapping[Point, Flow]
) -> Flow:
    """Return what enters the part of the tree on this side of the edge from ``tee`` to ``without``."""
    total: dict[str, int] = defaultdict(int)
    stack, seen = [tee], {without, tee}
    while stack:
        at = stack.pop()
        for key, sign in inflows.get(at, ()):
            total[key] += sign
        for neighbour in neighbours[at]:
            if neighbour not in seen:
                seen.add(neighbour)
                stack.append(neighbour)
    return tuple((key, sign) for key, sign in sorted(total.items()) if sign)
