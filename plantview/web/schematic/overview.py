"""The overview of a large plant: every machine as a tile in the row of its stage, the mains between the rows.

It is the flow diagram turned, with what is least important left out: heat climbs from the buildings at the foot to
the towers at the top, a lane of machines runs across the screen. What is left out (valves of branches, temperatures
at each machine) stands on the drawings of the loops and of the machines.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import replace
from typing import Final

from plantview.model.plant import Plant
from plantview.model.services import WORDS, ends_of, service_of
from plantview.model.signal import Signal
from plantview.web.schematic import sizes, tiles
from plantview.web.schematic.geometry import Box
from plantview.web.schematic.key import key_height
from plantview.web.schematic.labels import shortened, width
from plantview.web.schematic.layout import Grid, grid_of
from plantview.web.schematic.mains import pipes_of
from plantview.web.schematic.measures import TILE_LANE, overview_of
from plantview.web.schematic.placing import position, row_y
from plantview.web.schematic.plates import flows_at
from plantview.web.schematic.scene import Pipe, Scene
from plantview.web.schematic.sheet import Sheet
from plantview.web.schematic.spacing import Lanes
from plantview.web.schematic.svg import element, path
from plantview.web.schematic.topology import Branch, Column, Link, Span, is_bulky, machine_of, machines_of, place_of

_FAR: Final = 1000.0
"""Room left of the lanes on the first try, before it is known what stands there."""
_TILE: Final = {"pump": 26.0, "other": 14.0}
"""What a tile leaves free of its lane."""
_REACH: Final = 420.0
_STEP: Final = 30.0
"""How far, and in which steps, a main's words may move away from its end to find room."""
_TEMP: Final = 30.0
_FLOW: Final = 24.0
_LINK_ROOM: Final = 186.0


def compose_overview(plant: Plant, signals: Mapping[str, Signal]) -> Scene:
    """Return the overview; NotDrawn says what cannot be drawn."""
    grid = grid_of(plant, measures=overview_of(plant))
    tried = _Overview(plant, signals, grid.placed(_FAR, 0.0)).compose()
    left = min(box.x for box in _boxes(tried))
    return _Overview(plant, signals, grid.placed(_FAR - left + sizes.MARGIN, 0.0)).compose()


def _boxes(scene: Scene) -> Iterator[Box]:
    for group in (scene.words, scene.glyphs, scene.pipes):
        yield from (each.box for each in group)


class _Overview:
    """One composition, in the coordinates of the screen: x along the lanes, y along the stages."""

    def __init__(self, plant: Plant, signals: Mapping[str, Signal], grid: Grid) -> None:
        self._plant, self._grid, self._sheet = plant, grid, Sheet(signals)
        self._scene = Scene(0.0, 0.0, turned=True)
        self._stub_ends: dict[tuple[str, str], float] = {}
        self._drawn: set[str] = set()

    @property
    def _lanes(self) -> Lanes:
        return self._grid.lanes

    def compose(self) -> Scene:
        """Return the scene."""
        scene, grid = self._scene, self._grid
        for span in grid.spans:
            for branch in (*span.left, *span.right):
                self._end(branch, branch in span.left)
            for index, column in enumerate(span.columns):
                self._column(span, index, column)
            scene.pipes += [_turned(pipe) for pipe in pipes_of(self._plant, grid, span, self._stub_ends)]
            for link in (link for link in span.links if link.key):
                self._link(span, link)
        scene.words = self._sheet.words
        for span in grid.spans:
            self._mains(span)
        scene.told = (*dict.fromkeys(WORDS[pipe.service] for pipe in scene.pipes), *tiles.TOLD)
        scene.left_out = [*grid.left_out, *self._undrawn()]
        right, bottom = (max(ends) for ends in zip(*((box.right, box.bottom) for box in _boxes(scene)), strict=True))
        scene.width = right + sizes.MARGIN
        scene.height = bottom + key_height(scene.width, bool(scene.left_out), scene.told)
        return scene

    def _add(self, place: str, box: Box, *, downward: bool = True) -> None:
        if place in self._drawn:
            return
        self._drawn.add(place)
        item = self._plant.equipment[place.removesuffix(".recovery")]
        glyph = (
            tiles.recovery(self._sheet, item, box)
            if place != item.id
            else tiles.tile(self._sheet, self._plant, item, box, downward)
        )
        self._scene.glyphs.append(glyph)

    def _end(self, branch: Branch, at_top: bool) -> None:
        for port in machines_of(self._plant, branch):
            kind = self._plant.equipment[port.equipment].kind
            kind = "chiller" if kind == "heat_exchanger" else kind
            place, wide = place_of(port), TILE_LANE - _TILE["other"]
            centre = self._grid.lanes_top + self._lanes.centres[place]
            box = Box(centre - wide / 2, self._grid.end_x[kind], wide, self._lanes.measures.ends[kind])
            self._add(place, box)
            for role in ("in", "out"):
                if port == machine_of(self._plant, branch, role):
                    self._stub_ends[branch.key, role] = box.bottom - 2 if at_top else box.y + 2

    def _column(self, span: Span, index: int, column: Column) -> None:
        middle, half = self._grid.column_x[span.loop.id, index], tiles.PUMP_H / 2
        for lane, (branch, ports) in enumerate(zip(column.branches, column.machines, strict=True)):
            x = self._grid.lanes_top + row_y(self._plant, self._grid, span, (index, lane), branch)
            wide = TILE_LANE - _TILE["pump"]
            for port in [port for port in ports if is_bulky(self._plant, port)][:1]:
                box = Box(x - wide / 2, middle - half, wide, 2 * half)
                self._add(port.equipment, box, downward=column.eastward)
            if not column.of_end:
                before = -half if column.eastward else half
                self._stub_ends[branch.key, "in"] = middle + before
                self._stub_ends[branch.key, "out"] = middle - before

    def _link(self, span: Span, link: Link) -> None:
        """Name a bypass or a valve in a main beside its pipe, away from the lanes, and say its flow or position."""
        x, (one, two) = self._grid.y_of(span, link), sorted(self._grid.link_ends(span, link))
        sheet, middle = self._sheet, (one + two) / 2
        outside = link.top or bool(link.exchanger)
        left = x - 18 - _LINK_ROOM if outside else x + 18
        name = link.id.replace("-", " ")
        out = sheet.text(left, middle - 18, shortened(name, _LINK_ROOM, tiles.WORD), tiles.WORD)
        for valve in link.via[:1]:
            item = self._plant.equipment[valve]
            self._drawn.add(valve)
            self._scene.glyphs.append(tiles.valve(item, (x, middle)))
            label = shortened(item.label, _LINK_ROOM * 0.45, tiles.WORD)
            out += sheet.text(left, middle + 8, label, tiles.WORD)
            at = left + width(label, tiles.WORD) + 8
            out += position(sheet, valve, (f"{valve}.position",), (at, middle + 8), tiles.WORD, "start", 74)
            out += self._actuator(valve, left, middle + 34)
        if not link.via:
            bypass = next((one for one in span.loop.bypasses if one.id == link.id and one.either_way), None)
            ends = ends_of(span.loop, bypass) if bypass is not None else None
            out += sheet.value(f"{link.id}.flow", left, middle + 10, _FLOW, tight=True, ends=ends)
            out += sheet.text(left, middle + 36, " ", tiles.WORD, room=90, class_="basis", basis=link.key)
        self._scene.marks.append(out)

    def _actuator(self, valve: str, x: float, y: float) -> str:
        """Say that one actuator moves this valve and another."""
        others = [one for one in self._plant.actuators.values() if valve in one.valves and len(one.valves) > 1]
        return self._sheet.text(x, y, "one actuator", tiles.WORD) if others else ""

    def _mains(self, span: Span) -> None:
        """Write at an end of every header what it is called and what it measures."""
        for header in span.loop.headers:
            pieces = [pipe for pipe in self._scene.pipes if pipe.header == header and pipe.kind in ("main", "run")]
            service = service_of(span.loop, header)
            block = Box(0.0, 0.0, *self._room(header, service))
            tried = ((shift, side, y, low, high) for y, low, high in _levels(pieces) for shift, side in _moves())
            for shift, side, y, low, high in sorted(tried, key=lambda one: one[0]):
                at = (high + 12 + shift) if side > 0 else (low - 12 - shift - block.w)
                room = block.moved(at, y - block.h / 2)
                edge = high if side > 0 else low
                leader = Box(min(edge + 8 * side, at), y - 1, max(0.0, shift), 2) if shift else None
                if self._is_free(room, leader):
                    self._write(span, header, service, room)
                    if leader is not None:
                        near = room.x - 4 if side > 0 else room.right + 4
                        line = path([(edge + 9 * side, y), (near, y)])
                        self._scene.marks.append(element("path", class_="leader", d=line))
                    break

    def _room(self, header: str, service: str) -> tuple[float, float]:
        first = width(service, tiles.WORD) + 8 + self._sheet.room(f"{header}.temp", _TEMP)
        second = self._sheet.room(f"{header}.flow", _FLOW)
        return max(first, second), 60.0 if second else 30.0

    def _is_free(self, room: Box, leader: Box | None) -> bool:
        taken = [*(words.box for words in self._sheet.words), *(glyph.box for glyph in self._scene.glyphs)]
        pipes = [pipe.box for pipe in self._scene.pipes]
        if any(room.overlaps(box, clear=4) for box in (*taken, *pipes)):
            return False
        return leader is None or not any(leader.overlaps(box) for box in taken)

    def _write(self, span: Span, header: str, service: str, room: Box) -> None:
        sheet, flow = self._sheet, f"{header}.flow"
        y = room.y + 27 if flow in sheet.signals else room.cy + 9
        out = sheet.text(room.x, y, service, tiles.WORD, class_="heading")
        at = room.x + width(service, tiles.WORD) + 8
        out += sheet.value(f"{header}.temp", at, y, _TEMP, tight=True, branch=flows_at(span.loop, header))
        self._scene.marks.append(out + sheet.value(flow, room.x, y + 27, _FLOW, tight=True))

    def _undrawn(self) -> list[str]:
        """Return the machines of the loops that found no place; valves of branches are left to the loops' drawings."""
        standing = {place_of(port) for span in self._grid.spans for stage in span.loop.stages for port in stage.ports()}
        missing = sorted(standing - self._drawn)
        valves = [name for name in missing if self._plant.equipment[name.partition(".")[0]].kind == "valve"]
        told = [f"{len(valves)} valves of branches (see each loop)"] if valves else []
        return [name for name in missing if name not in valves] + told


def _turned(pipe: Pipe) -> Pipe:
    (x1, y1), (x2, y2) = pipe.ends
    return replace(pipe, ends=((y1, x1), (y2, x2)))


def _levels(pieces: list[Pipe]) -> list[tuple[float, float, float]]:
    """Return where mains of a header run: height, left end, right end; the longest first."""
    found: dict[float, list[float]] = {}
    for piece in pieces:
        if not piece.upright:
            found.setdefault(piece.across, []).extend(piece.span)
    levels = [(y, min(ends), max(ends)) for y, ends in found.items()]
    return sorted(levels, key=lambda level: level[1] - level[2])


def _moves() -> Iterator[tuple[float, int]]:
    """Yield how far a label moves from the end of its main, and to which side."""
    for step in range(int(_REACH / _STEP)):
        yield from ((step * _STEP, 1), (step * _STEP + 1, -1))
