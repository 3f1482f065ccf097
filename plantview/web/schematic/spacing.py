"""Lanes and gaps: how high the drawing is, and in which order mains stand in a gap."""

from __future__ import annotations

from dataclasses import dataclass, replace
from itertools import permutations, product
from typing import Final

from plantview.model.plant import Plant, Port
from plantview.web.schematic import sizes
from plantview.web.schematic.geometry import spread
from plantview.web.schematic.measures import Measures
from plantview.web.schematic.topology import LEFT, Branch, Link, Span, Tap, machine_of, machines_of, place_of

_ON_ONE_ANOTHER: Final = 1000
_SHIFTS: Final = (0.0, 20.0, -20.0, 34.0, -34.0, 31.0, -31.0, 48.0, -48.0)
"""How far towers or coils may move along the lanes so that no two pipes lie on one another."""


@dataclass(frozen=True, slots=True)
class Deck:
    """The lanes of loops that stand side by side, measured from the top of the first deck's first lane."""

    top: float
    height: float
    columns: float
    """How much of the height, from the top, the lanes of chillers and of columns fill: exchangers stand below."""

    @property
    def bottom(self) -> float:
        """Return where its last lane ends."""
        return self.top + self.height


@dataclass(frozen=True, slots=True)
class Lanes:
    """Where each machine stands along the lanes, measured from the top of the first lane."""

    height: float
    centres: dict[str, float]
    """Place of an end machine -> middle of its lane."""
    pitch: dict[str, float]
    """Place of an end machine -> its lane width."""
    decks: dict[str, Deck]
    """Loop -> its deck."""
    measures: Measures


def lanes_of(plant: Plant, spans: tuple[Span, ...], measures: Measures, wanted: float = 0.0) -> Lanes:
    """Return the lanes: every stage is spread evenly over the height that the tallest needs.

    Small plants are stretched towards the ``wanted`` height, by a third at most. Loops of hot water
    stand in decks of their own below the others.
    """
    lanes = Lanes(0.0, {}, {}, {}, measures)
    for together in _decks(spans):
        top = lanes.height + measures.deck_gap if lanes.decks else 0.0
        lanes = _with_deck(plant, together, lanes, top, 0.0 if lanes.decks else wanted)
    for kind in ("tower_cell", "coil"):
        names = [name for name in lanes.centres if plant.equipment[name.partition(".")[0]].kind == kind]
        lanes = _clear_of_each_other(plant, spans, lanes, names)
    return lanes


def _decks(spans: tuple[Span, ...]) -> list[tuple[Span, ...]]:
    first = tuple(span for span in spans if span.loop.water != "hot")
    return [first] * bool(first) + [(span,) for span in spans if span.loop.water == "hot"]


def _with_deck(plant: Plant, spans: tuple[Span, ...], lanes: Lanes, top: float, wanted: float) -> Lanes:
    places = _places(plant, spans)
    measures = lanes.measures
    need = {kind: len(names) * measures.lane(plant, kind, names) for kind, names in places.items()}
    rows = max([0, *(len(column.branches) for span in spans for column in span.columns if not column.of_end)])
    upper = max(need.get("chiller", 0.0), need.get("recovery", 0.0), rows * measures.lane(plant, "pump", []))
    lower = need.get("heat_exchanger", 0.0)
    if lower:
        lower += measures.exchanger_gap[any(link.exchanger for span in spans for link in span.links)]
    least = max(upper + lower, need.get("tower_cell", 0.0), need.get("coil", 0.0))
    height = min(max(least, wanted), least * 1.34)
    below = need.get("heat_exchanger", 0.0)
    centres, pitch = dict(lanes.centres), dict(lanes.pitch)
    for kind, names in places.items():
        low, high = {
            "heat_exchanger": (height - below, height),
            "chiller": (0.0, height - lower),
            "recovery": (0.0, height - lower),
        }.get(kind, (0.0, height))
        for name, middle in zip(names, spread(len(names), high - low), strict=True):
            centres[name], pitch[name] = top + low + middle, (high - low) / len(names)
    deck = Deck(top, height, height - lower)
    return Lanes(top + height, centres, pitch, lanes.decks | {span.loop.id: deck for span in spans}, measures)


def _places(plant: Plant, spans: tuple[Span, ...]) -> dict[str, list[str]]:
    """Return the places of the end machines by kind: the chillers in the order of the chilled loop."""
    found: dict[str, list[str]] = {}
    order = list(plant.equipment)
    for span in sorted(spans, key=lambda span: span.loop.water != "chilled"):
        for branch in (*span.left, *span.right):
            ports = machines_of(plant, branch)
            for port in sorted(ports, key=lambda port: order.index(port.equipment)):
                names = found.setdefault(kind_of(plant, port), [])
                if place_of(port) not in names:
                    names.append(place_of(port))
    return found


def kind_of(plant: Plant, port: Port) -> str:
    """Return the kind of an end machine as drawn: a recovery condenser is one of its own."""
    return "recovery" if port.side == "recovery" else plant.equipment[port.equipment].kind


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


def port_y(plant: Plant, branch: Branch, port: Port, role: str, lanes: Lanes) -> float:
    """Return the height of a port of an end machine.

    Towers take water in above, chillers and coils below. In a plate exchanger the two waters pass each other,
    so the cool one comes in above. Machines in series hand on from the nearest port to the nearest.
    """
    kind, centre = kind_of(plant, port), lanes.centres[place_of(port)]
    in_above = kind == "tower_cell" or (kind == "heat_exchanger" and port.side == "cool")
    row = machines_of(plant, branch)
    if len(row) > 1:
        in_above = lanes.centres[place_of(row[0])] < lanes.centres[place_of(row[-1])]
    return centre + lanes.measures.offset[kind] * (-1 if (role == "in") == in_above else 1)


def tap_y(plant: Plant, span: Span, tap: Tap, lanes: Lanes) -> float:
    """Return the height at which a branch meets its main."""
    end, lane = tap.lane
    if not end.startswith("column"):
        branch = (span.left if end == LEFT else span.right)[lane]
        return port_y(plant, branch, machine_of(plant, branch, tap.role), tap.role, lanes)
    return column_y(span, int(end.removeprefix("column ")), lane, lanes)


def column_y(span: Span, column: int, lane: int, lanes: Lanes) -> float:
    """Return the height of a headered machine; equal counts stand in line with the chillers' lower port."""
    deck = lanes.decks[span.loop.id]
    count = len(span.columns[column].branches)
    return (
        deck.top
        + spread(count, deck.columns)[lane]
        + min(lanes.measures.offset["chiller"], deck.columns / count * 0.28)
    )


def order_in_gap(plant: Plant, span: Span, gap: int, lanes: Lanes) -> tuple[str, ...]:
    """Return the headers of a gap from left to right, in the order with the fewest crossings."""
    return _best_order(plant, span, gap, lanes)[1]


def _best_order(plant: Plant, span: Span, gap: int, lanes: Lanes) -> tuple[int, tuple[str, ...]]:
    """Return what the best order costs, and the order."""
    headers = span.headers_in(gap)
    ranges = {header: _range(plant, span, header, gap, lanes) for header in headers}
    ways = [_Way(tap.header, tap_y(plant, span, tap, lanes), tap.from_left) for tap in span.taps if tap.gap == gap]
    ways += [
        _Way(header, _link_y(span, link, lanes), other < at)
        for link in span.links
        for (header, at), (_, other) in ((link.start, link.end), (link.end, link.start))
        if at == gap != other
    ]
    joined = [
        (link.start[0], link.end[0], _link_y(span, link, lanes))
        for link in span.links
        if link.start[1] == link.end[1] == gap
    ]
    return min(
        ((_cost(order, ways, ranges) + _apart(order, joined, ranges), order) for order in permutations(headers)),
        default=(0, ()),
    )


def _apart(order: tuple[str, ...], joined: list[tuple[str, str, float]], ranges: dict[str, tuple[float, float]]) -> int:
    """Count the mains that stand between two that a bypass joins, twice those that it crosses."""
    cost = 0
    for one, two, y in joined:
        low, high = sorted((order.index(one), order.index(two)))
        cost += sum(1 + (ranges[header][0] <= y <= ranges[header][1]) for header in order[low + 1 : high])
    return cost


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
    ys += [_link_y(span, link, lanes) for link in span.links if (header, gap) in (link.start, link.end)]
    return min(ys), max(ys)


def _link_y(span: Span, link: Link, lanes: Lanes) -> float:
    """Return about where a link runs, as seen from the lanes: only for counting what it would cross."""
    deck = lanes.decks[span.loop.id]
    if link.exchanger:
        return exchanger_link_y(link, lanes)
    return deck.top - 2.0 if link.top else deck.bottom + 2.0


def exchanger_link_y(link: Link, lanes: Lanes) -> float:
    """Return where the bypass of a heat exchanger runs: above the machine, clear of its texts."""
    return lanes.centres[link.exchanger] - lanes.measures.offset["heat_exchanger"] - lanes.measures.exchanger_link
