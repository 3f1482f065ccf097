"""The grid of the drawing: where columns, mains and links stand."""

from __future__ import annotations

from dataclasses import dataclass, replace

from plantview.model.plant import Plant
from plantview.web.schematic import sizes
from plantview.web.schematic.folding import span_of
from plantview.web.schematic.geometry import Interval
from plantview.web.schematic.spacing import Lanes, exchanger_link_y, lanes_of, order_in_gap
from plantview.web.schematic.topology import ENDS, Branch, Link, NotDrawn, Span, machines_of

MainKey = tuple[str, str, int]
"""(loop, header, gap)."""
LinkKey = tuple[str, str, tuple[str, int]]
"""(loop, link, its start)."""

_WIDTHS = {"chiller": sizes.CHILLER_W, "tower_cell": sizes.TOWER_W, "coil": sizes.COIL_W + sizes.COIL_TEXT_W}
_USUAL_BAND = 160.0
"""Roughly what plates and a link take above and below the lanes; only for choosing the lanes' height."""


@dataclass(frozen=True, slots=True)
class Grid:
    """Every coordinate that does not depend on a single machine."""

    spans: tuple[Span, ...]
    lanes: Lanes
    end_x: dict[str, float]
    """Kind of an end machine -> left side of its column."""
    main_x: dict[MainKey, float]
    column_x: dict[tuple[str, int], float]
    """(loop, column) -> its middle."""
    link_y: dict[LinkKey, float]
    """Height of each link, measured from the top of the lanes."""
    lanes_top: float
    width: float
    height: float
    left_out: tuple[str, ...]

    def link_ends(self, span: Span, link: Link) -> tuple[float, float]:
        """Return the x of both ends of a link."""
        one, two = (self.main_x[span.loop.id, *end] for end in (link.start, link.end))
        return one, two

    def placed(self, above: float, below: float) -> Grid:
        """Return the grid with so much room above the lanes and below them."""
        return replace(self, lanes_top=above, height=above + self.lanes.height + below)

    def deck(self, span: Span) -> tuple[float, float]:
        """Return the top and the bottom of the lanes of a loop on the drawing."""
        deck = self.lanes.decks[span.loop.id]
        return self.lanes_top + deck.top, self.lanes_top + deck.bottom

    def y_of(self, span: Span, link: Link) -> float:
        """Return the height of a link on the drawing."""
        return self.lanes_top + self.link_y[span.loop.id, link.id, link.start]


def grid_of(plant: Plant, only: str = "") -> Grid:
    """Return the grid of a plant, or of ``only`` one loop; NotDrawn says what cannot be drawn truly."""
    spans, left_out = _spans(plant, only)
    lanes = lanes_of(plant, spans)
    across = _Across(plant, spans, lanes)
    levels = _levels(spans, across)
    bands = 2 * _USUAL_BAND + sizes.LEVEL_ABOVE * max(levels.values(), default=0)
    lanes = lanes_of(plant, spans, across.width / sizes.TARGET_ASPECT - bands)
    link_y = {
        (span.loop.id, link.id, link.start): _link_y(span, link, lanes, levels) for span in spans for link in span.links
    }
    return Grid(spans, lanes, across.end_x, across.main_x, across.column_x, link_y, 0.0, across.width, 0.0, left_out)


def _link_y(span: Span, link: Link, lanes: Lanes, levels: dict[LinkKey, int]) -> float:
    """Return where a link runs, from the top of the lanes: those within a gap need not clear the pumps' texts."""
    if link.exchanger:
        return exchanger_link_y(link, lanes)
    deck, level = lanes.decks[span.loop.id], levels[span.loop.id, link.id, link.start]
    if link.top:
        return deck.top - sizes.NEAREST["above"] - level * sizes.LEVEL_ABOVE
    within = link.start[1] == link.end[1]
    nearest = sizes.NEAREST["below" if within else "below pumps"]
    return deck.bottom + max(nearest, sizes.NEAREST["below"] + level * sizes.LEVEL_BELOW)


def _spans(plant: Plant, only: str) -> tuple[tuple[Span, ...], tuple[str, ...]]:
    if only:
        return (span_of(plant, plant.loops[only]),), ()
    spans: list[Span] = []
    left_out: list[str] = []
    for water in ENDS:
        loops = [loop for loop in plant.loops.values() if loop.water == water]
        room = len(loops) if water == "hot" else 1
        spans += [span_of(plant, loop) for loop in loops[:room]]
        left_out += [f"loop {loop.id} ({loop.water} water)" for loop in loops[room:]]
    if not any(span.loop.water == "chilled" for span in spans):
        raise NotDrawn("the plant has no loop of chilled water")
    return tuple(spans), tuple(left_out)


class _Across:
    """Walks the stages from left to right and adds widths."""

    def __init__(self, plant: Plant, spans: tuple[Span, ...], lanes: Lanes) -> None:
        self.end_x: dict[str, float] = {}
        self.main_x: dict[MainKey, float] = {}
        self.column_x: dict[tuple[str, int], float] = {}
        self._x = sizes.MARGIN
        for zone in ({"condenser"}, {"chilled", "hot"}):
            together = [span for span in spans if span.loop.water in zone]
            if together:
                self._zone(plant, together, lanes)
        self.width = self._x + sizes.MARGIN

    def _zone(self, plant: Plant, spans: list[Span], lanes: Lanes) -> None:
        """Walk the loops that share a left and a right end: they stand above each other."""
        left, right = ENDS[spans[0].loop.water]
        if left not in self.end_x:
            self._end(left, _WIDTHS[left])
        start, furthest = self._x, self._x
        for span in spans:
            self._x = start + sizes.ZONE_W[left] + _series_room(plant, span.left)
            self._between(plant, span, lanes)
            self._x += sizes.ZONE_W[right] + _series_room(plant, span.right)
            furthest = max(furthest, self._x)
        self._x = furthest
        self._end(right, _WIDTHS[right])

    def _end(self, kind: str, width: float) -> None:
        self.end_x[kind] = self._x
        self._x += width

    def _between(self, plant: Plant, span: Span, lanes: Lanes) -> None:
        for gap in span.gaps:
            self._gap(plant, span, gap, lanes)
            if gap < len(span.columns):
                crossed = any(link.via and link.start[1] != link.end[1] for link in span.links)
                wide = sizes.COLUMN_UNDER_VALVES_W if crossed else sizes.COLUMN_W
                self.column_x[span.loop.id, gap] = self._x + wide / 2
                self._x += wide

    def _gap(self, plant: Plant, span: Span, gap: int, lanes: Lanes) -> None:
        order = order_in_gap(plant, span, gap, lanes)
        self._x += sizes.GAP_PAD
        for place, header in enumerate(order):
            if place:
                self._x += _step(span, gap, order[place - 1], header)
            self.main_x[span.loop.id, header, gap] = self._x
        self._x += sizes.GAP_PAD if order else -sizes.GAP_PAD / 2


def _step(span: Span, gap: int, one: str, two: str) -> float:
    joined = [link for link in span.links if link.key and {link.start, link.end} == {(one, gap), (two, gap)}]
    if not joined:
        return sizes.MAIN_STEP
    return sizes.VALVED_STEP if any(link.via for link in joined) else sizes.LINKED_STEP


def _series_room(plant: Plant, branches: tuple[Branch, ...]) -> float:
    return sizes.SERIES_W * any(len(machines_of(plant, branch)) > 1 for branch in branches)


def _levels(spans: tuple[Span, ...], across: _Across) -> dict[LinkKey, int]:
    """Return how far out each link runs: a short one stays inside, so that none crosses another."""
    levels: dict[LinkKey, int] = {}
    for top in (True, False):
        for deck in ({"condenser", "chilled"}, {"hot"}):
            wanted: list[tuple[float, Interval, LinkKey]] = []
            for span in spans:
                for link in span.links:
                    if link.top == top and not link.exchanger and span.loop.water in deck:
                        low, high = sorted(across.main_x[span.loop.id, *end] for end in (link.start, link.end))
                        wanted.append((high - low, (low, high), (span.loop.id, link.id, link.start)))
            levels |= _nested(wanted)
    return levels


def _nested(wanted: list[tuple[float, Interval, LinkKey]]) -> dict[LinkKey, int]:
    levels: dict[LinkKey, int] = {}
    taken: list[tuple[int, Interval]] = []
    for _, (low, high), key in sorted(wanted):
        level = 1 + max((at for at, (a, b) in taken if a <= high + 20 and low <= b + 20), default=-1)
        levels[key] = level
        taken.append((level, (low, high)))
    return levels
