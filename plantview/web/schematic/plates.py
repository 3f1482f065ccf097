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
from plantview.web.schematic.sheet import Sheet
from plantview.web.schematic.svg import element, group, path
from plantview.web.schematic.topology import Span

_ROW: Final = 38.0
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


def header_plates(grid: Grid, sheet: Sheet, span: Span) -> dict[bool, list[Plate]]:
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
        above = is_above(span, service)
        wide = plate_width(sheet, WORDS[service], rows)
        pipe = _pipe_end(grid, span, header, above)
        plates[above].append(Plate(WORDS[service], rows, wide, pipe[0] - 8, pipe, service, flows_at(span.loop, header)))
    return plates


def is_above(span: Span, service: str) -> bool:
    """Return whether a service's header stands above the lanes: it leaves the chiller at the top."""
    return service.endswith("S") == (span.loop.water != "condenser")


def _pipe_end(grid: Grid, span: Span, header: str, above: bool) -> Point:
    """Return the outermost point of a header towards the plates: on a link that it has there, else on its first main."""
    corners = [
        (grid.y_of(span, link), x)
        for link in span.links
        for (at, _), x in zip((link.start, link.end), grid.link_ends(span, link), strict=True)
        if link.top == above and at == header
    ]
    if corners:
        y, x = min(corners) if above else min(corners, key=lambda corner: (-corner[0], corner[1]))
        return x, y
    x = min(x for (loop, name, _), x in grid.main_x.items() if (loop, name) == (span.loop.id, header))
    return x, grid.lanes_top + 30 if above else grid.lanes_top + grid.lanes.height - 30


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
    return max([width(heading, sizes.LABEL), *(sum(entry_width(sheet, entry) for entry in row) for row in rows)])


@dataclass(frozen=True, slots=True)
class Placed:
    """A plate with its room, and the way of its leader to the pipe."""

    plate: Plate
    box: Box
    leader: tuple[Point, ...]


def band(plant: Plant, grid: Grid, sheet: Sheet, above: bool) -> list[Placed]:
    """Return all plates above or below the lanes, pushed apart so that none covers another."""
    plates = machine_plates(plant, grid, sheet)[above]
    for span in grid.spans:
        plates += header_plates(grid, sheet, span)[above]
    lefts = push_apart([(plate.at, plate.wide) for plate in plates], 30, sizes.MARGIN)
    # what would leave the sheet on the right is pushed back from there
    rights = [(grid.width - left - plate.wide, plate.wide) for left, plate in zip(lefts, plates, strict=True)]
    placed = []
    for right, plate in zip(push_apart(rights, 30, sizes.MARGIN), plates, strict=True):
        left, tall = grid.width - right - plate.wide, 24 + _ROW * len(plate.rows)
        edge = _edge(grid, left, plate.wide, above)
        box = Box(left, edge - tall if above else edge, plate.wide, tall)
        placed.append(Placed(plate, box, _leader(plate, box, above)))
    return placed


def drawn(sheet: Sheet, plates: list[Placed]) -> str:
    """Return the markup of a band of plates with their leaders."""
    out = ""
    for placed in plates:
        out += element("path", class_="leader", d=path(list(placed.leader))) if placed.leader else ""
        out += _plate(sheet, placed.plate, placed.box.x, placed.box.y)
    return out


def _edge(grid: Grid, left: float, wide: float, above: bool) -> float:
    """Return how near to the lanes a plate may come: clear of the links over or under which it stands."""
    edge = grid.lanes_top - 22 if above else grid.lanes_top + grid.lanes.height + 58
    for span in grid.spans:
        for link in span.links:
            one, two = sorted(grid.link_ends(span, link))
            if link.top == above and one - 40 < left + wide and left < two + 40:
                y = grid.y_of(span, link)
                labels = 72 if link.via and two - one < TIGHT else 0
                edge = min(edge, y - 34 - labels) if above else max(edge, y + 34)
    return edge


def _plate(sheet: Sheet, plate: Plate, left: float, top: float) -> str:
    out = sheet.text(left, top + 18, plate.heading, sizes.LABEL, class_=f"heading {plate.service.lower()}")
    for row, entries in enumerate(plate.rows):
        x = left
        for entry in entries:
            signal, caption, size = entry
            branch = plate.flows if signal.endswith(".temp") else ""
            out += sheet.value(signal, x, top + 18 + _ROW * (row + 1), size, caption=caption, branch=branch)
            x += entry_width(sheet, entry)
    return group(out, class_="plate")


def _leader(plate: Plate, box: Box, above: bool) -> tuple[Point, ...]:
    if plate.pipe is None:
        return ()
    x, y = plate.pipe
    edge = box.bottom + 6 if above else box.y - 6
    at = min(max(x, box.x), box.right)
    start = (x, y - 12) if above else (x, y + 12)
    if at != x:
        return (start, (x, edge), (at, edge))
    return (start, (x, edge)) if abs(edge - start[1]) >= 12 else ()
