"""Plates: what a header, the basin and the weather station tell, in words and numbers."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

from plantview.model.measurements import DP_TO
from plantview.model.plant import Loop, Plant
from plantview.model.services import WORDS, service_of
from plantview.web.schematic import sizes
from plantview.web.schematic.geometry import Box, Point, push_apart
from plantview.web.schematic.labels import width
from plantview.web.schematic.layout import Grid
from plantview.web.schematic.measures import pump_more
from plantview.web.schematic.sheet import Sheet
from plantview.web.schematic.spacing import tap_y
from plantview.web.schematic.svg import element, group, path
from plantview.web.schematic.topology import Span

_ROW: Final = 38.0
_BEND: Final = 9.0
"""Between the bends of leaders, so that none lies on another."""
TIGHT: Final = 210.0
"""A link shorter than this has its labels above it, not between its valve and its end."""

Entry = tuple[str, str, float]
"""(signal, caption, size)."""
Rows = tuple[tuple[Entry, ...], ...]


@dataclass(frozen=True, slots=True)
class Plate:
    """A heading with values, wanted near a place on a pipe."""

    heading: str
    rows: Rows
    wide: float
    at: float
    """Wanted left side."""
    pipe: Point | None
    """Where its leader begins."""
    service: str
    flows: str
    """Keys of the flows through it: while all stand still, its temperature is that of standing water."""


def header_rows(sheet: Sheet, header: str) -> Rows:
    """Return what a header measures: each measured quantity in a row, its setpoint beside it."""
    dp = sorted(name for name in sheet.signals if name.startswith(f"{header}.{DP_TO}"))
    wanted: list[list[Entry]] = [
        [(f"{header}.temp", "", sizes.VALUE), (f"{header}.setpoint", "setpoint", sizes.FLOW)],
        [(f"{header}.flow", "", sizes.FLOW), (f"{header}.pressure", "", sizes.FLOW)],
        [*((name, "Δp", sizes.FLOW) for name in dp[:1]), (f"{header}.dp_setpoint", "setpoint", sizes.FLOW)],
    ]
    return known(sheet, wanted)


def known(sheet: Sheet, wanted: list[list[Entry]]) -> Rows:
    """Return the rows without the signals that the plant does not have."""
    rows = (tuple(entry for entry in row if entry[0] in sheet.signals) for row in wanted)
    return tuple(row for row in rows if row)


def entry_width(sheet: Sheet, entry: Entry) -> float:
    """Return the room of one entry with its caption."""
    signal, caption, size = entry
    lead = width(caption, max(sizes.SMALL, size * 0.56)) + 8 if caption else 0.0
    return lead + sheet.room(signal, size) + 14


def flows_at(loop: Loop, header: str) -> str:
    """Return the keys of all flows into and out of a header."""
    keys = [
        f"{loop.id}/{stage.id}/{index}"
        for stage in loop.stages
        if header in (stage.start, stage.end)
        for index in range(len(stage.branches))
    ]
    return " ".join(
        [*keys, *(f"{loop.id}/{bypass.id}" for bypass in loop.bypasses if header in (bypass.start, bypass.end))]
    )


def header_plates(plant: Plant, grid: Grid, sheet: Sheet, span: Span) -> dict[bool, list[Plate]]:
    """Return the plates above (True) and below (False) of one loop; every service gets one at least."""
    plates: dict[bool, list[Plate]] = {True: [], False: []}
    named: set[str] = set()
    by_need = sorted(span.loop.headers, key=lambda header: not header_rows(sheet, header))
    for header in by_need:
        service = service_of(span.loop, header)
        rows = header_rows(sheet, header)
        if not rows and service in named:
            continue
        named.add(service)
        above = is_above(span, header)
        wide = plate_width(sheet, WORDS[service], rows)
        pipe = _pipe_end(plant, grid, span, header, above)
        plates[above].append(Plate(WORDS[service], rows, wide, pipe[0] - 8, pipe, service, flows_at(span.loop, header)))
    return plates


def is_above(span: Span, header: str) -> bool:
    """Return whether a header's plate stands above the lanes; those of a deck further down all stand below."""
    return header in span.top and span.loop.water != "hot"


def _pipe_end(plant: Plant, grid: Grid, span: Span, header: str, above: bool) -> Point:
    """Return the outermost point of a header towards the plates: on a link that it has there, else on a main."""
    corners = [
        (x, grid.y_of(span, link))
        for link in span.links
        for (at, _), x in zip((link.start, link.end), grid.link_ends(span, link), strict=True)
        if at == header
    ]
    corners += [
        (grid.main_x[span.loop.id, header, tap.gap], grid.lanes_top + tap_y(plant, span, tap, grid.lanes))
        for tap in span.taps
        if tap.header == header
    ]
    return min(corners, key=lambda corner: (corner[1] if above else -corner[1], corner[0]))


def machine_plates(plant: Plant, grid: Grid, sheet: Sheet) -> dict[bool, list[Plate]]:
    """Return the plates of the weather station (above) and of the tower basin (below)."""
    plates: dict[bool, list[Plate]] = {True: [], False: []}
    for item in plant.of_kind("weather"):
        wet = next((n for n in (f"{item.id}.wet_bulb", "PLANT.wet_bulb") if n in sheet.signals), "")
        rows = known(sheet, [[(f"{item.id}.dry_bulb", "dry bulb", sizes.FLOW)], [(wet, "wet bulb", sizes.FLOW)]])
        plates[True] += _machine_plate(sheet, "outdoor air", rows)
    for item in plant.of_kind("basin") if "tower_cell" in grid.end_x else ():
        rows = known(
            sheet,
            [
                [(f"{item.id}.level", "level", sizes.FLOW)],
                [(f"{item.id}.makeup_flow", "make-up", sizes.FLOW)],
                [(f"{item.id}.temp", "water", sizes.FLOW)],
            ],
        )
        plates[False] += _machine_plate(sheet, f"tower basin {item.label}", rows)
    return plates


def _machine_plate(sheet: Sheet, heading: str, rows: Rows) -> list[Plate]:
    return [Plate(heading, rows, plate_width(sheet, heading, rows), sizes.MARGIN, None, "", "")] if rows else []


def plate_width(sheet: Sheet, heading: str, rows: Rows) -> float:
    """Return the room that a plate takes along the stages."""
    second = second_column(sheet, rows)
    ends = [second * (len(row) > 1) + entry_width(sheet, row[-1]) for row in rows]
    return max([width(heading, sizes.LABEL), *ends])


def second_column(sheet: Sheet, rows: Rows) -> float:
    """Return how far from the first the second entries of all rows begin: under one another."""
    return max((entry_width(sheet, row[0]) for row in rows if len(row) > 1), default=0.0)


@dataclass(frozen=True, slots=True)
class Placed:
    """A plate with its room, and the way of its leader to the pipe."""

    plate: Plate
    box: Box
    leader: tuple[Point, ...]


def band(plant: Plant, grid: Grid, sheet: Sheet, above: bool) -> list[Placed]:
    """Return all plates above or below the lanes, pushed apart so that none covers another."""
    upper = tuple(span for span in grid.spans if span.loop.water != "hot")
    decks = [upper] * bool(upper) + [(span,) for span in grid.spans if span.loop.water == "hot"]
    return [
        placed
        for place, spans in enumerate(decks)
        for placed in _deck_band(
            plant, grid, sheet, spans, above, machine_plates(plant, grid, sheet)[above] * (place == 0)
        )
    ]


def _deck_band(
    plant: Plant, grid: Grid, sheet: Sheet, spans: tuple[Span, ...], above: bool, plates: list[Plate]
) -> list[Placed]:
    plates = [*plates, *(plate for span in spans for plate in header_plates(plant, grid, sheet, span)[above])]
    lefts = push_apart([(plate.at, plate.wide) for plate in plates], 30, sizes.MARGIN)
    # what would leave the sheet on the right is pushed back from there
    rights = [(grid.width - left - plate.wide, plate.wide) for left, plate in zip(lefts, plates, strict=True)]
    placed: list[Placed] = []
    bends = 0
    for right, plate in zip(push_apart(rights, 30, sizes.MARGIN), plates, strict=True):
        left, tall = grid.width - right - plate.wide, 24 + _ROW * len(plate.rows)
        edge = _edge(grid, spans, (left, plate.wide), above, pump_more(plant))
        box = Box(left, edge - tall if above else edge, plate.wide, tall)
        leader = _leader(plate, box, above, _BEND * (bends % 3))
        bends += len(leader) > 2
        placed.append(Placed(plate, box, leader))
    return placed


def drawn(sheet: Sheet, plates: list[Placed]) -> str:
    """Return the markup of a band of plates with their leaders."""
    out = ""
    for placed in plates:
        out += element("path", class_="leader", d=path(list(placed.leader))) if placed.leader else ""
        out += _plate(sheet, placed.plate, placed.box.x, placed.box.y)
    return out


def _edge(grid: Grid, spans: tuple[Span, ...], room: tuple[float, float], above: bool, more: float) -> float:
    """Return how near to the lanes a plate may come: clear of the links over or under which it stands.

    ``room`` is its left side and width, ``more`` what pumps with long names take below the lanes.
    """
    left, wide = room
    top, bottom = grid.deck(spans[0])
    edge = top - 22 if above else bottom + 58 + more
    for span in spans:
        for link in span.links:
            one, two = sorted(grid.link_ends(span, link))
            if link.top == above and one - 40 < left + wide and left < two + 40:
                y = grid.y_of(span, link)
                labels = 72 if link.via and two - one < TIGHT else 0
                edge = min(edge, y - 34 - labels) if above else max(edge, y + 34)
    return edge


def _plate(sheet: Sheet, plate: Plate, left: float, top: float) -> str:
    out = sheet.text(left, top + 18, plate.heading, sizes.LABEL, class_=f"heading {plate.service.lower()}")
    second = second_column(sheet, plate.rows)
    for row, entries in enumerate(plate.rows):
        for place, (signal, caption, size) in enumerate(entries):
            branch = plate.flows if signal.endswith(".temp") else ""
            x, y = left + place * second, top + 18 + _ROW * (row + 1)
            out += sheet.value(signal, x, y, size, caption=caption, branch=branch)
    return group(out, class_="plate")


def _leader(plate: Plate, box: Box, above: bool, further: float) -> tuple[Point, ...]:
    """Return the way from a pipe to its plate; ``further`` from the plate where another has its bend already."""
    if plate.pipe is None:
        return ()
    x, y = plate.pipe
    edge = box.bottom + 6 + further if above else box.y - 6 - further
    at = min(max(x, box.x), box.right)
    start = (x, y - 12) if above else (x, y + 12)
    if (edge > y) == above:
        # the pipe reaches further out than its plate stands: the leader leaves it sideways
        return ((x + 9, edge), (at, edge)) if at > x + 9 else ()
    if at != x:
        return (start, (x, edge), (at, edge), (at, box.bottom + 4 if above else box.y - 4))
    return (start, (x, edge)) if abs(edge - start[1]) >= 12 else ()
