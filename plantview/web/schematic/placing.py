"""Puts machines, valves and the values beside them on the grid."""

from __future__ import annotations

from typing import Final

from plantview.model.plant import Equipment, Plant, Port
from plantview.web.schematic import glyphs, sizes
from plantview.web.schematic.geometry import Box
from plantview.web.schematic.labels import shortened, width
from plantview.web.schematic.layout import Grid
from plantview.web.schematic.scene import Glyph
from plantview.web.schematic.sheet import Sheet
from plantview.web.schematic.spacing import port_y, tap_y
from plantview.web.schematic.svg import group
from plantview.web.schematic.topology import LEFT, Branch, Column, Span, Tap, chain_of, is_bulky, machine_of

MEASURED: Final[dict[tuple[str, str], tuple[str, str, str]]] = {
    ("chiller", "condenser"): ("cws_temp", "cwr_temp", "cw_flow"),
    ("chiller", "evaporator"): ("chwr_temp", "chws_temp", "chw_flow"),
    ("coil", "coil"): ("chws_temp", "chwr_temp", "flow"),
    ("tower_cell", ""): ("entering_temp", "leaving_temp", "water_flow"),
}
"""(kind, side) -> temperature in, temperature out, flow."""

COIL_VALVE: Final = "valve_position"


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
        port = machine_of(self.plant, branch)
        item = self.plant.equipment[port.equipment]
        centre = self.grid.lanes_top + self.grid.lanes.centres[item.id]
        box = self._machine(item, centre)
        edge, outward = (box.right, 1) if at_left else (box.x, -1)
        reach = edge - outward * (14 if item.kind == "tower_cell" else 4 if item.kind == "chiller" else 0)
        for role in ("in", "out"):
            self.stub_ends[branch.key, role] = reach
            self._chain(branch, role, item, edge, outward, centre)
        self._zone(item, port, branch.key, edge, outward, centre)

    def _machine(self, item: Equipment, centre: float) -> Box:
        pitch = self.grid.lanes.pitch[item.kind]
        x = self.grid.end_x[item.kind]
        if item.kind == "coil":
            half = sizes.OFFSET["coil"] + 14
            box = Box(x, centre - half, sizes.COIL_W + sizes.COIL_TEXT_W, 2 * half)
            glyph = glyphs.coil(self.sheet, item, box) if item.id not in self._drawn else None
        elif item.kind == "tower_cell":
            height = min(sizes.HEIGHT["tower_cell"], pitch * 0.86)
            box = Box(x, centre - height * 0.56, sizes.TOWER_W, height)
            glyph = glyphs.tower(self.sheet, self.plant, item, box) if item.id not in self._drawn else None
        else:
            box = Box(x, centre - sizes.HEIGHT["chiller"] / 2, sizes.CHILLER_W, sizes.HEIGHT["chiller"])
            cooled_by = item.traits.get("cooling", "water")
            glyph = glyphs.chiller(self.sheet, item, box, cooled_by) if item.id not in self._drawn else None
        if glyph is not None:
            self._add(glyph)
        return box

    def _chain(self, branch: Branch, role: str, item: Equipment, edge: float, outward: int, centre: float) -> None:
        """Place the valves that stand between an end machine and its main."""
        y = port_y(item.kind, centre, role)
        ports = [port for port in chain_of(self.plant, branch, role) if not is_bulky(self.plant, port)]
        nearest_first = ports if role == "out" else ports[::-1]
        for place, port in enumerate(nearest_first[:2]):
            x = edge + outward * (40 + 60 * place + (18 if item.kind == "coil" else 0))
            self._add(glyphs.valve(self.plant.equipment[port.equipment], (x, y)))
            below = y < centre
            baseline = y + 35 if below else y - 42
            if place == 0:
                at, anchor = edge + outward * _clear(item), "start" if outward > 0 else "end"
                self.marks.append(self.valve_label(port.equipment, at, baseline, item, anchor=anchor))
        if item.kind == "tower_cell" and role == "in" and f"{item.id}.isolation_valve" in self.sheet.signals:
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
        known = [f"{valve}.position"]
        if serves is not None and serves.kind == "coil":
            known.append(f"{serves.id}.{COIL_VALVE}")
        signal = next((name for name in known if name in self.sheet.signals), "")
        if signal:
            return text + self.sheet.value(signal, at, under, sizes.SMALL, form="valve", anchor=anchor, tight=True)
        word = self.sheet.text(at, under, "?", sizes.SMALL, class_="word", bold=True, room=86, fit=True, anchor=anchor)
        return group(text + word, class_="machine valve-word", data_equipment=valve, data_state="unknown")

    def _zone(self, item: Equipment, port: Port, branch: str, edge: float, outward: int, centre: float) -> None:
        entering, leaving, flow = MEASURED[item.kind, port.side]
        x, anchor = edge + outward * _clear(item), "start" if outward > 0 else "end"
        for name, role in ((entering, "in"), (leaving, "out")):
            y = port_y(item.kind, centre, role)
            baseline = y - 22 if y < centre else y + 37
            self.marks.append(
                self.sheet.value(
                    f"{item.id}.{name}", x, baseline, sizes.VALUE, anchor=anchor, tight=True, branch=branch
                )
            )
        if item.kind != "coil":
            self.marks.append(
                self.sheet.value(f"{item.id}.{flow}", x, centre + 32, sizes.FLOW, anchor=anchor, tight=True)
            )

    def _column(self, span: Span, index: int, column: Column) -> None:
        middle = self.grid.column_x[span.loop.id, index]
        for lane, (branch, ports) in enumerate(zip(column.branches, column.machines, strict=True)):
            if not ports:
                continue
            y = self.grid.lanes_top + self._column_y(span, index, column, lane, branch)
            self._row(ports, middle, y, column.eastward)
            if not column.of_end:
                self.stub_ends[branch.key, "in"] = middle
                self.stub_ends[branch.key, "out"] = middle

    def _column_y(self, span: Span, index: int, column: Column, lane: int, branch: Branch) -> float:
        if not column.of_end:
            tap = Tap("", 0, branch, (f"column {index}", lane), "in", from_left=True)
            return tap_y(self.plant, span, tap, self.grid.lanes)
        role = "in" if column.eastward == (column.of_end != LEFT) else "out"
        return tap_y(self.plant, span, Tap("", 0, branch, (column.of_end, lane), role, from_left=True), self.grid.lanes)

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
        standing = {port.equipment for span in self.grid.spans for stage in span.loop.stages for port in stage.ports()}
        return sorted(standing - self._drawn)

    def note(self, equipment: Glyph) -> None:
        """Take a glyph that was placed elsewhere (valves of links)."""
        self._add(equipment)


def _clear(item: Equipment) -> float:
    """Return how far from an end machine its texts begin: coils stand inside a building's frame."""
    return 32 if item.kind == "coil" else 12
