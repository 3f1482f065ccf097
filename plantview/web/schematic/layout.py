"""The grid of the drawing: where columns, mains and links stand."""

from __future__ import annotations

from dataclasses import dataclass, replace

from plantview.model.plant import Plant
from plantview.web.schematic import sizes
from plantview.web.schematic.folding import span_of
from plantview.web.schematic.geometry import Interval
from plantview.web.schematic.measures import WALL, Measures, pump_more
from plantview.web.schematic.spacing import Lanes, exchanger_link_y, lanes_of, order_in_gap
from plantview.web.schematic.topology import ENDS, Branch, Link, NotDrawn, Span, machines_of

MainKey = tuple[str, str, int]
"""(loop, header, gap)."""
LinkKey = tuple[str, str, tuple[str, int]]
"""(loop, link, its start)."""

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


def grid_of(plant: Plant, only: str = "", measures: Measures = WALL) -> Grid:
    """Return the grid of a plant, or of ``only`` one loop; NotDrawn says what cannot be drawn truly."""
    spans, left_out = _spans(plant, only)
    lanes = lanes_of(plant, spans, measures)
    across = _Across(plant, spans, lanes)
    levels = _levels(spans, across)
    if measures.aspect:
        bands = 2 * _USUAL_BAND + measures.level_above * max(levels.values(), default=0)
        lanes = lanes_of(plant, spans, measures, across.width / measures.aspect - bands)
    more = pump_more(plant) * measures.with_texts
    link_y = {
        (span.loop.id, link.id, link.start): _link_y(span, link, lanes, levels, more)
        for span in spans
        for link in span.links
    }
    return Grid(spans, lanes, across.end_x, across.main_x, across.column_x, link_y, 0.0, across.width, 0.0, left_out)


def _link_y(span: Span, link: Link, lanes: Lanes, levels: dict[LinkKey, int], more: float) -> float:
    """Return where a link runs, from the top of the lanes: those within a gap need not clear the pumps' texts."""
    measures = lanes.measures
    if link.exchanger:
        return exchanger_link_y(link, lanes)
    deck, level = lanes.decks[span.loop.id], levels[span.loop.id, link.id, link.start]
    if link.top:
        return deck.top - measures.nearest["above"] - level * measures.level_above
    within = link.start[1] == link.end[1]
    nearest = measures.nearest["below"] if within else measures.nearest["below pumps"] + more
    return deck.bottom + max(nearest, measures.nearest["below"] + level * measures.level_below)


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
        self._measures = lanes.measures
        for zone in ({"condenser"}, {"chilled", "hot"}):
            together = [span for span in spans if span.loop.water in zone]
            if together:
                self._zone(plant, together, lanes)
        self.width = self._x + sizes.MARGIN

    def _zone(self, plant: Plant, spans: list[Span], lanes: Lanes) -> None:
        """Walk the loops that share a left and a right end: they stand above each other."""
        left, right = ENDS[spans[0].loop.water]
        if left not in self.end_x:
            self._end(left)
        start, furthest = self._x, self._x
        for span in spans:
            self._x = start + self._measures.zone[left] + self._series_room(plant, span.left)
            self._between(plant, span, lanes)
            self._x += self._measures.zone[right] + self._series_room(plant, span.right)
            furthest = max(furthest, self._x)
        self._x = furthest
        self._end(right)

    def _end(self, kind: str) -> None:
        self.end_x[kind] = self._x
        self._x += self._measures.ends[kind]

    def _between(self, plant: Plant, span: Span, lanes: Lanes) -> None:
        for gap in span.gaps:
            self._gap(plant, span, gap, lanes)
            if gap < len(span.columns):
                crossed = any(link.via and link.start[1] != link.end[1] for link in span.links)
                wide = self._measures.column_under_valves if crossed else self._measures.column
                self.column_x[span.loop.id, gap] = self._x + wide / 2
                self._x += wide

    def _gap(self, plant: Plant, span: Span, gap: int, lanes: Lanes) -> None:
        order = order_in_gap(plant, span, gap, lanes)
        pad = self._measures.gap_pad
        self._x += pad
        for place, header in enumerate(order):
            if place:
                self._x += _step(self._measures, span, gap, (order[place - 1], header))
            self.main_x[span.loop.id, header, gap] = self._x
        self._x += pad if order else -pad / 2

    def _series_room(self, plant: Plant, branches: tuple[Branch, ...]) -> float:
        return self._measures.series * any(len(machines_of(plant, branch)) > 1 for branch in branches)


def _step(measures: Measures, span: Span, gap: int, pair: tuple[str, str]) -> float:
    joined = [link for link in span.links if link.key and {link.start, link.end} == {(at, gap) for at in pair}]
    if not joined:
        return measures.main_step
    return measures.valved_step if any(link.via for link in joined) else measures.linked_step


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
