"""Puts machines, valves and the values beside them on the grid."""

from __future__ import annotations

from typing import Final

from plantview.model.plant import Equipment, Plant, Port
from plantview.web.schematic import glyphs, joining, sizes
from plantview.web.schematic.geometry import Box, Point
from plantview.web.schematic.labels import shortened, width
from plantview.web.schematic.layout import Grid
from plantview.web.schematic.measures import tower_more
from plantview.web.schematic.scene import Glyph
from plantview.web.schematic.sheet import Sheet
from plantview.web.schematic.spacing import kind_of, port_y, tap_y
from plantview.web.schematic.svg import group
from plantview.web.schematic.topology import (
    LEFT,
    Branch,
    Column,
    Span,
    Tap,
    chain_of,
    is_bulky,
    machine_of,
    machines_of,
    place_of,
)

MEASURED: Final[dict[tuple[str, str], tuple[str, str, str]]] = {
    ("chiller", "condenser"): ("cws_temp", "cwr_temp", "cw_flow"),
    ("chiller", "evaporator"): ("chwr_temp", "chws_temp", "chw_flow"),
    ("chiller", "recovery"): ("hwr_temp", "hws_temp", "hw_flow"),
    ("heat_exchanger", "warm"): ("warm_in_temp", "warm_out_temp", ""),
    ("heat_exchanger", "cool"): ("cool_in_temp", "cool_out_temp", ""),
    ("coil", "coil"): ("chws_temp", "chwr_temp", "flow"),
    ("tower_cell", ""): ("entering_temp", "leaving_temp", "water_flow"),
}
"""(kind, side) -> temperature in, temperature out, flow."""

SERVED: Final = {"coil": "valve_position", "tower_cell": "isolation_valve"}
"""Kind of an end machine -> measurement of its valve's position at the machine."""
_INTO: Final = {"tower_cell": 14.0, "chiller": 4.0}
"""How far pipes reach into the outline of a machine that is not straight."""


class Placing:
    """One drawing's machines; collects glyphs, markup and where the stubs end."""

    def __init__(self, plant: Plant, grid: Grid, sheet: Sheet) -> None:
        self.plant, self.grid, self.sheet = plant, grid, sheet
        self.glyphs: list[Glyph] = []
        self.marks: list[str] = []
        self.stub_ends: dict[tuple[str, str], float] = {}
        self._drawn: set[str] = set()
        self.joined: set[str] = set()
        """Actuators whose linkage is drawn."""

    def span(self, span: Span) -> None:
        """Place everything of one loop except its pipes."""
        for branches, at_left in ((span.left, True), (span.right, False)):
            for branch in branches:
                self._end(branch, at_left)
        for index, column in enumerate(span.columns):
            self._column(span, index, column)

    def _add(self, glyph: Glyph) -> None:
        self.glyphs.append(glyph)
        self._drawn.add(glyph.equipment)

    def _end(self, branch: Branch, at_left: bool) -> None:
        for port in machines_of(self.plant, branch):
            item = self.plant.equipment[port.equipment]
            box = self._machine(item, port)
            edge, outward = (box.right, 1) if at_left else (box.x, -1)
            self._zone(item, port, branch, edge, outward)
            for role in ("in", "out"):
                if port == machine_of(self.plant, branch, role):
                    self.stub_ends[branch.key, role] = edge - outward * _INTO.get(item.kind, 0)
                    self._chain(branch, role, port, edge, outward)

    def _machine(self, item: Equipment, port: Port) -> Box:
        place = place_of(port)
        centre = self.grid.lanes_top + self.grid.lanes.centres[place]
        x = self.grid.end_x["chiller" if item.kind == "heat_exchanger" else item.kind]
        if item.kind == "coil":
            half = self.grid.lanes.measures.offset["coil"] + 14
            box = Box(x, centre - half, sizes.COIL_W + sizes.COIL_TEXT_W, 2 * half)
        elif item.kind == "tower_cell":
            height = min(
                sizes.HEIGHT["tower_cell"] + tower_more(self.plant, item.id), self.grid.lanes.pitch[place] - 28
            )
            box = Box(x, centre - height * 0.56, sizes.TOWER_W, height)
        else:
            height = sizes.HEIGHT[kind_of(self.plant, port)]
            box = Box(x, centre - height / 2, sizes.CHILLER_W, height)
        if place not in self._drawn:
            self._add(self._glyph(item, port, box))
        return box

    def _glyph(self, item: Equipment, port: Port, box: Box) -> Glyph:
        if item.kind == "coil":
            return glyphs.coil(self.sheet, item, box, water_of(self.plant, port))
        if item.kind == "tower_cell":
            return glyphs.tower(self.sheet, self.plant, item, box, self.is_open(port))
        if item.kind == "heat_exchanger":
            return joining.exchanger(self.sheet, item, box)
        if port.side == "recovery":
            return joining.recovery(self.sheet, item, box)
        return glyphs.chiller(self.sheet, item, box, item.traits.get("cooling", "water"))

    def is_open(self, port: Port) -> bool:
        """Return whether the water of a tower cell meets the air: its loop has an open basin."""
        found = self.plant.stage_with(port)
        return found is not None and bool(found[0].open_header)

    def _chain(self, branch: Branch, role: str, port: Port, edge: float, outward: int) -> None:
        """Place the valves that stand between an end machine and its main."""
        item = self.plant.equipment[port.equipment]
        centre = self.grid.lanes_top + self.grid.lanes.centres[place_of(port)]
        y = self.grid.lanes_top + port_y(self.plant, branch, port, role, self.grid.lanes)
        ports = self._valves(branch, role)
        nearest_first = ports if role == "out" else ports[::-1]
        alone = not self._valves(branch, "out" if role == "in" else "in")
        for place, valve in enumerate(nearest_first[:2]):
            x = edge + outward * (40 + 60 * place + (18 if item.kind == "coil" else 0))
            self._add(glyphs.valve(self.plant.equipment[valve.equipment], (x, y)))
            below = y < centre
            baseline = y + 35 if below else y - 42
            if place == 0:
                at, anchor = edge + outward * _clear(item), "start" if outward > 0 else "end"
                self.marks.append(
                    self.valve_label(valve.equipment, at, baseline, item, anchor=anchor)
                    if alone
                    else self._position(valve.equipment, at, y + 35 if below else y - 18, item, anchor)
                )
        if (
            item.kind == "tower_cell"
            and role == "in"
            and not ports
            and f"{item.id}.isolation_valve" in self.sheet.signals
        ):
            x = edge + outward * 40
            self.marks.append(
                glyphs.bow(Box(x - sizes.VALVE_W / 2, y - sizes.VALVE_H / 2, sizes.VALVE_W, sizes.VALVE_H))
            )
            self.marks.append(
                self.sheet.value(f"{item.id}.isolation_valve", edge + 12, y + 33, sizes.SMALL, form="valve", tight=True)
            )

    def valve_label(
        self, valve: str, x: float, y: float, serves: Equipment | None = None, *, anchor: str = "start"
    ) -> str:
        """Return a valve's name and below it the position, in one line where ``anchor`` is ``line``.

        A coil's valve may be measured at the coil.
        """
        name = shortened(self.plant.equipment[valve].label, 128, sizes.SMALL)
        inline = anchor == "line"
        at, under = (x + width(name, sizes.SMALL) + 8, y) if inline else (x, y + 24)
        anchor = "start" if inline else anchor
        text = self.sheet.text(x, y, name, sizes.SMALL, anchor=anchor)
        return text + self._position(valve, at, under, serves, anchor)

    def _position(self, valve: str, x: float, y: float, serves: Equipment | None, anchor: str) -> str:
        """Return where a valve stands as a word: that of its condition, so that every page says the same."""
        known = [f"{valve}.position"]
        if serves is not None and serves.kind in SERVED:
            known.append(f"{serves.id}.{SERVED[serves.kind]}")
        return position(self.sheet, valve, tuple(known), (x, y), sizes.SMALL, anchor, 86)

    def _valves(self, branch: Branch, role: str) -> list[Port]:
        return [port for port in chain_of(self.plant, branch, role) if not is_bulky(self.plant, port)]

    def _zone(self, item: Equipment, port: Port, branch: Branch, edge: float, outward: int) -> None:
        entering, leaving, flow = MEASURED[item.kind, port.side]
        centre = self.grid.lanes_top + self.grid.lanes.centres[place_of(port)]
        x, anchor = edge + outward * _clear(item), "start" if outward > 0 else "end"
        for name, role in ((entering, "in"), (leaving, "out")):
            y = self.grid.lanes_top + port_y(self.plant, branch, port, role, self.grid.lanes)
            below = 43 if self._valves(branch, role) else 37
            baseline = y - 22 if y < centre else y + below
            self.marks.append(
                self.sheet.value(
                    f"{item.id}.{name}", x, baseline, sizes.VALUE, anchor=anchor, tight=True, branch=branch.key
                )
            )
        if flow and item.kind != "coil":
            self.marks.append(
                self.sheet.value(f"{item.id}.{flow}", x, centre + 32, sizes.FLOW, anchor=anchor, tight=True)
            )

    def _column(self, span: Span, index: int, column: Column) -> None:
        middle = self.grid.column_x[span.loop.id, index]
        for lane, (branch, ports) in enumerate(zip(column.branches, column.machines, strict=True)):
            if not ports:
                continue
            y = self.grid.lanes_top + row_y(self.plant, self.grid, span, (index, lane), branch)
            self._row(ports, middle, y, column.eastward)
            if not column.of_end:
                self.stub_ends[branch.key, "in"] = middle
                self.stub_ends[branch.key, "out"] = middle

    def _row(self, ports: tuple[Port, ...], middle: float, y: float, eastward: bool) -> None:
        """Place what stands in one lane of a column, in flow order."""
        valves = [port for port in ports if self.plant.equipment[port.equipment].kind == "valve"]
        bulky = [port for port in ports if port not in valves]
        for port in bulky[:1]:
            item = self.plant.equipment[port.equipment]
            place = (
                glyphs.pump(self.sheet, item, (middle, y), eastward)
                if item.kind == "pump"
                else glyphs.other(self.sheet, item, (middle, y))
            )
            self._add(place)
        for port in valves[:1]:
            after = ports.index(port) > 0 or not bulky
            x = middle + (68 if after == eastward else -68) * bool(bulky)
            self._add(glyphs.valve(self.plant.equipment[port.equipment], (x, y)))
            self.marks.append(self.valve_label(port.equipment, middle - 74, y - 46, anchor="line"))

    def undrawn(self) -> list[str]:
        """Return the machines of the loops that found no place."""
        standing = {place_of(port) for span in self.grid.spans for stage in span.loop.stages for port in stage.ports()}
        return sorted(standing - self._drawn)

    def note(self, equipment: Glyph) -> None:
        """Take a glyph that was placed elsewhere (valves of links)."""
        self._add(equipment)


def row_y(plant: Plant, grid: Grid, span: Span, place: tuple[int, int], branch: Branch) -> float:
    """Return the height, from the top of the lanes, of what stands in a column and lane: ``place``."""
    index, lane = place
    column = span.columns[index]
    if not column.of_end:
        return tap_y(plant, span, Tap("", 0, branch, (f"column {index}", lane), "in", from_left=True), grid.lanes)
    role = "in" if column.eastward == (column.of_end != LEFT) else "out"
    return tap_y(plant, span, Tap("", 0, branch, (column.of_end, lane), role, from_left=True), grid.lanes)


def position(sheet: Sheet, valve: str, known: tuple[str, ...], at: Point, size: float, anchor: str, room: float) -> str:
    """Return a valve's position in words: from the first of the ``known`` signals, else from its condition alone."""
    x, y = at
    signal = next((name for name in known if name in sheet.signals), "")
    if signal:
        return sheet.value(signal, x, y, size, form="valve", anchor=anchor, tight=True, valve=valve)
    word = sheet.text(x, y, "?", size, class_="word", bold=True, room=room, fit=True, anchor=anchor)
    return group(word, class_="machine valve-word", data_equipment=valve, data_state="unknown")


def water_of(plant: Plant, port: Port) -> str:
    """Return the water of the loop in which a port stands."""
    found = plant.stage_with(port)
    return found[0].water if found is not None else ""


def _clear(item: Equipment) -> float:
    """Return how far from an end machine its texts begin: coils stand inside a building's frame."""
    return 32 if item.kind == "coil" else 12
