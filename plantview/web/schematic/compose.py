"""Composes the wall drawing: grid, machines, pipes, links, plates, buildings."""

from __future__ import annotations

from collections.abc import Mapping
from itertools import pairwise, product

from plantview.model.plant import Plant
from plantview.model.signal import Signal
from plantview.web.schematic import plates, sizes
from plantview.web.schematic.geometry import Box, around
from plantview.web.schematic.key import key_height
from plantview.web.schematic.labels import shortened, width
from plantview.web.schematic.layout import Grid, grid_of
from plantview.web.schematic.links import links_of
from plantview.web.schematic.mains import pipes_of
from plantview.web.schematic.placing import Placing
from plantview.web.schematic.scene import Pipe, Scene
from plantview.web.schematic.sheet import Sheet
from plantview.web.schematic.svg import element
from plantview.web.schematic.topology import Span, machine_of


def compose(plant: Plant, signals: Mapping[str, Signal], only: str = "") -> Scene:
    """Return the laid-out drawing of the plant, or of ``only`` one loop; NotDrawn says what cannot be drawn."""
    sheet = Sheet(signals)
    grid, bands = _with_plates(plant, sheet, only)
    placing = Placing(plant, grid, sheet)
    scene = Scene(grid.width, grid.height)
    for span in grid.spans:
        placing.span(span)
        scene.marks += links_of(placing, span)
        scene.pipes += pipes_of(plant, grid, span, placing.stub_ends)
        scene.frames += _buildings(grid, plant, sheet, span)
    scene.marks += [plates.drawn(sheet, band) for band in bands]
    scene.marks += placing.marks
    scene.glyphs, scene.words = placing.glyphs, sheet.words
    leaders = [around(ends, 3) for band in bands for placed in band for ends in pairwise(placed.leader)]
    scene.marks += _abbreviations(sheet, scene, leaders)
    scene.left_out = [*grid.left_out, *placing.undrawn()]
    return scene


def _with_plates(plant: Plant, sheet: Sheet, only: str) -> tuple[Grid, list[list[plates.Placed]]]:
    """Return the grid with room for the plates above and below, and the plates on it."""
    grid = grid_of(plant, only)
    above, below = (plates.band(plant, grid, sheet, above) for above in (True, False))
    top = max([0.0, *(-placed.box.y for placed in above)]) + sizes.MARGIN
    bottom = max([0.0, *(placed.box.bottom - grid.lanes.height for placed in below)]) + key_height(
        grid.width, bool(grid.left_out)
    )
    grid = grid.placed(top, bottom)
    return grid, [plates.band(plant, grid, sheet, above) for above in (True, False)]


def _abbreviations(sheet: Sheet, scene: Scene, leaders: list[Box]) -> list[str]:
    """Name every main at an end where there is room; its words stand on the plate of its service."""
    mains: dict[float, list[Pipe]] = {}
    for pipe in scene.pipes:
        if pipe.kind == "main":
            mains.setdefault(pipe.across, []).append(pipe)
    out: list[str] = []
    for x, pieces in mains.items():
        service, size = pieces[0].service, sizes.SMALL
        low, high = min(piece.span[0] for piece in pieces), max(piece.span[1] for piece in pieces)
        wide = width(service, size)
        for left, baseline in product((x - wide / 2, x + 12, x - 12 - wide), (low - 16, high + 30)):
            if not _taken(scene, leaders, Box(left, baseline - 20, wide, 26)):
                out.append(sheet.text(left, baseline, service, size, class_="heading"))
                break
    return out


def _taken(scene: Scene, leaders: list[Box], room: Box) -> bool:
    things = [*(words.box for words in scene.words), *(g.box for g in scene.glyphs), *(p.box for p in scene.pipes)]
    things += leaders
    return any(room.overlaps(box) for box in things)


def _buildings(grid: Grid, plant: Plant, sheet: Sheet, span: Span) -> list[str]:
    """Frame the coils of one building, where they stand next to each other."""
    rows: list[tuple[str, float, float]] = []
    for branch in span.right:
        item = plant.equipment[machine_of(plant, branch).equipment]
        if item.kind == "coil":
            rows.append((item.building, grid.lanes_top + grid.lanes.centres[item.id], grid.lanes.pitch[item.id]))
    out: list[str] = []
    while rows:
        name = rows[0][0]
        count = next((i for i, row in enumerate(rows) if row[0] != name), len(rows))
        half = min(rows[0][2] / 2 - 4, 112.0)
        out += [_building(grid, sheet, name, rows[0][1] - half, rows[count - 1][1] + half)] if name else []
        rows = rows[count:]
    return out


def _building(grid: Grid, sheet: Sheet, name: str, top: float, bottom: float) -> str:
    x = grid.end_x["coil"]
    box = Box(x - 18, top, sizes.COIL_W + sizes.COIL_TEXT_W + 18, bottom - top)
    text = shortened(name, sizes.COIL_TEXT_W - 16, sizes.STATE, bold=True)
    return element("rect", class_="building", x=box.x, y=box.y, width=box.w, height=box.h, rx=3) + sheet.text(
        x + sizes.COIL_W + 14, top + 23, text, sizes.STATE, class_="building-name", bold=True
    )
