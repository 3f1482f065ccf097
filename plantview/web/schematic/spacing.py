"""Lanes and gaps: how high the drawing is, and in which order mains stand in a gap."""

from __future__ import annotations

from dataclasses import dataclass, replace
from itertools import permutations, product
from typing import Final

from plantview.model.plant import Plant
from plantview.web.schematic import sizes
from plantview.web.schematic.geometry import spread
from plantview.web.schematic.topology import LEFT, Span, Tap, machine_of

_ON_ONE_ANOTHER: Final = 1000
_SHIFTS: Final = (0.0, 20.0, -20.0, 34.0, -34.0)
"""How far towers or coils may move along the lanes so that no two pipes lie on one another."""


@dataclass(frozen=True, slots=True)
class Lanes:
    """Where each machine stands along the lanes, measured from the top of the first lane."""

    height: float
    centres: dict[str, float]
    """End machine -> middle of its lane."""
    pitch: dict[str, float]
    """Kind of an end machine -> its lane width."""


def lanes_of(plant: Plant, spans: tuple[Span, ...], wanted: float = 0.0) -> Lanes:
    """Return the lanes: every stage is spread evenly over the height that the tallest needs.

    Small plants are stretched towards the ``wanted`` height, by a third at most.
    """
    ends: dict[str, list[str]] = {}
    need = 0.0
    for span in spans:
        for branches in (span.left, span.right):
            machines = [machine_of(plant, branch).equipment for branch in branches]
            kind = plant.equipment[machines[0]].kind
            known = ends.setdefault(kind, [])
            known += [machine for machine in machines if machine not in known]
            need = max(need, len(known) * sizes.PITCH[kind])
        need = max(
            [need, *(len(column.branches) * sizes.PITCH["pump"] for column in span.columns if not column.of_end)]
        )
    height = min(max(need, wanted), need * 1.34)
    centres = {
        name: centre for names in ends.values() for name, centre in zip(names, spread(len(names), height), strict=True)
    }
    lanes = Lanes(height, centres, {kind: height / len(names) for kind, names in ends.items()})
    for kind in ("tower_cell", "coil"):
        lanes = _clear_of_each_other(plant, spans, lanes, ends.get(kind, []))
    return lanes


def _clear_of_each_other(plant: Plant, spans: tuple[Span, ...], lanes: Lanes, names: list[str]) -> Lanes:
    """Return the lanes with some machines moved a little, if otherwise two pipes would lie on one another."""
    moved = (
        replace(lanes, centres=lanes.centres | {name: lanes.centres[name] + shift for name in names})
        for shift in _SHIFTS
    )
    return min(
        moved,
        key=lambda tried: sum(
            _best_order(plant, span, gap, tried)[0] // _ON_ONE_ANOTHER for span in spans for gap in span.gaps
        ),
    )


def port_y(kind: str, centre: float, role: str) -> float:
    """Return the height of a port: towers take water in above, chillers and coils below."""
    above = (role == "in") == (kind == "tower_cell")
    return centre - sizes.OFFSET[kind] if above else centre + sizes.OFFSET[kind]


def tap_y(plant: Plant, span: Span, tap: Tap, lanes: Lanes) -> float:
    """Return the height at which a branch meets its main."""
    end, lane = tap.lane
    if not end.startswith("column"):
        port = machine_of(plant, (span.left if end == LEFT else span.right)[lane])
        return port_y(plant.equipment[port.equipment].kind, lanes.centres[port.equipment], tap.role)
    return column_y(span, int(end.removeprefix("column ")), lane, lanes)


def column_y(span: Span, column: int, lane: int, lanes: Lanes) -> float:
    """Return the height of a headered machine; equal counts stand in line with the chillers' lower port."""
    count = len(span.columns[column].branches)
    return spread(count, lanes.height)[lane] + min(sizes.OFFSET["chiller"], lanes.height / count * 0.28)


def order_in_gap(plant: Plant, span: Span, gap: int, lanes: Lanes) -> tuple[str, ...]:
    """Return the headers of a gap from left to right, in the order with the fewest crossings."""
    return _best_order(plant, span, gap, lanes)[1]


def _best_order(plant: Plant, span: Span, gap: int, lanes: Lanes) -> tuple[int, tuple[str, ...]]:
    """Return what the best order costs, and the order."""
    headers = span.headers_in(gap)
    ranges = {header: _range(plant, span, header, gap, lanes) for header in headers}
    ways = [_Way(tap.header, tap_y(plant, span, tap, lanes), tap.from_left) for tap in span.taps if tap.gap == gap]
    ways += [
        _Way(header, -1.0 if link.top else lanes.height + 1, other < at)
        for link in span.links
        for (header, at), (_, other) in ((link.start, link.end), (link.end, link.start))
        if at == gap != other
    ]
    return min(((_cost(order, ways, ranges), order) for order in permutations(headers)), default=(0, ()))


@dataclass(frozen=True, slots=True)
class _Way:
    """A pipe along the stages that comes to a main of a gap."""

    header: str
    y: float
    from_left: bool


def _cost(order: tuple[str, ...], ways: list[_Way], ranges: dict[str, tuple[float, float]]) -> int:
    """Count crossings; two pipes of different headers that would lie on one another weigh far more."""
    cost = 0
    for way in ways:
        place = order.index(way.header)
        for foreign in order[:place] if way.from_left else order[place + 1 :]:
            low, high = ranges[foreign]
            cost += low <= way.y <= high
    for left, right in product((w for w in ways if w.from_left), [w for w in ways if not w.from_left]):
        if order.index(right.header) < order.index(left.header) and abs(left.y - right.y) < sizes.CLEAR:
            cost += _ON_ONE_ANOTHER
    return cost


def _range(plant: Plant, span: Span, header: str, gap: int, lanes: Lanes) -> tuple[float, float]:
    ys = [tap_y(plant, span, tap, lanes) for tap in span.taps if tap.header == header and tap.gap == gap]
    ys += [-2.0 if link.top else lanes.height + 2 for link in span.links if (header, gap) in (link.start, link.end)]
    return min(ys), max(ys)
