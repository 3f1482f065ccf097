"""The grid of the drawing: where columns, mains and links stand."""

from __future__ import annotations

from dataclasses import dataclass, replace

from plantview.model.plant import Plant
from plantview.web.schematic import sizes
from plantview.web.schematic.folding import span_of
from plantview.web.schematic.geometry import Interval
from plantview.web.schematic.spacing import Lanes, lanes_of, order_in_gap
from plantview.web.schematic.topology import ENDS, Link, NotDrawn, Span

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

    def y_of(self, span: Span, link: Link) -> float:
        """Return the height of a link on the drawing."""
        return self.lanes_top + self.link_y[span.loop.id, link.id, link.start]


def grid_of(plant: Plant) -> Grid:
    """Return the grid of a plant; NotDrawn says what cannot be drawn truly."""
    spans, left_out = _spans(plant)
    lanes = lanes_of(plant, spans)
    across = _Across(plant, spans, lanes)
    above, below = _levels(spans, across, top=True), _levels(spans, across, top=False)
    bands = 2 * _USUAL_BAND + sizes.LEVEL_ABOVE * max(above.values(), default=0)
    lanes = lanes_of(plant, spans, across.width / sizes.TARGET_ASPECT - bands)
    link_y = {key: -sizes.NEAREST["above"] - level * sizes.LEVEL_ABOVE for key, level in above.items()}
    link_y |= {key: lanes.height + y for key, y in _below(spans, below).items()}
    return Grid(spans, lanes, across.end_x, across.main_x, across.column_x, link_y, 0.0, across.width, 0.0, left_out)


def _below(spans: tuple[Span, ...], levels: dict[LinkKey, int]) -> dict[LinkKey, float]:
    """Return how far below the lanes each link runs: those within a gap need not clear the pumps' texts."""
    within = {
        (span.loop.id, link.id, link.start): link.start[1] == link.end[1] for span in spans for link in span.links
    }
    return {
        key: max(
            sizes.NEAREST["below" if within[key] else "below pumps"], sizes.NEAREST["below"] + level * sizes.LEVEL_BELOW
        )
        for key, level in levels.items()
    }


def _spans(plant: Plant) -> tuple[tuple[Span, ...], tuple[str, ...]]:
    spans: list[Span] = []
    left_out: list[str] = []
    for water in ENDS:
        loops = [loop for loop in plant.loops.values() if loop.water == water]
        spans += [span_of(plant, loop) for loop in loops[:1]]
        left_out += [f"loop {loop.id} ({loop.water} water)" for loop in loops[1:]]
    left_out += [f"loop {loop.id} ({loop.water} water)" for loop in plant.loops.values() if loop.water not in ENDS]
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
        widths = {"chiller": sizes.CHILLER_W, "tower_cell": sizes.TOWER_W, "coil": sizes.COIL_W + sizes.COIL_TEXT_W}
        for span in spans:
            left, right = ENDS[span.loop.water]
            if left not in self.end_x:
                self._end(left, widths[left])
            self._x += sizes.ZONE_W[left]
            self._between(plant, span, lanes)
            self._x += sizes.ZONE_W[right]
            self._end(right, widths[right])
        self.width = self._x + sizes.MARGIN

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


def _levels(spans: tuple[Span, ...], across: _Across, top: bool) -> dict[LinkKey, int]:
    """Return how far out each link runs: a short one stays inside, so that none crosses another."""
    wanted: list[tuple[float, Interval, LinkKey]] = []
    for span in spans:
        for link in span.links:
            if link.top == top:
                ends = sorted(across.main_x[span.loop.id, *end] for end in (link.start, link.end))
                wanted.append((ends[1] - ends[0], (ends[0], ends[1]), (span.loop.id, link.id, link.start)))
    levels: dict[LinkKey, int] = {}
    taken: list[tuple[int, Interval]] = []
    for _, (low, high), key in sorted(wanted):
        level = 1 + max((at for at, (a, b) in taken if a <= high + 20 and low <= b + 20), default=-1)
        levels[key] = level
        taken.append((level, (low, high)))
    return levels
