"""One machine alone: its glyph, the pipes at each of its ports, and every value of it and of its parts."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Final

from plantview.model.plant import Equipment, Plant, Port
from plantview.model.signal import Signal
from plantview.web.schematic import glyphs, joining, sizes
from plantview.web.schematic.alone_pipes import Standing, draw_pipes
from plantview.web.schematic.geometry import Box
from plantview.web.schematic.key import key_height
from plantview.web.schematic.labels import width
from plantview.web.schematic.measures import tower_more
from plantview.web.schematic.placing import water_of
from plantview.web.schematic.scene import Glyph, Scene
from plantview.web.schematic.sheet import Sheet

_LEAST_WIDTH: Final = 1560.0
_ASPECT: Final = 2.1
"""Width to height that suits a window beside its bars."""
_MIDDLE: Final = 190.0
"""Height of the machine's middle; its pipes reach to the sides of the sheet."""
_ROWS_TOP: Final = 420.0
_ROW: Final = 42.0
_COLUMNS_MAX: Final = 5
_COLUMN_GAP: Final = 56.0
_SPARE_MAX: Final = 120.0
"""Most that is added to it, so that few columns stay together."""

Entry = tuple[str, str]
"""(signal, words)."""


def compose_machine(plant: Plant, item: Equipment, signals: Mapping[str, Signal]) -> Scene:
    """Return the drawing of one machine."""
    sheet = Sheet(signals)
    columns = _columns(_entries(plant, sheet, item), sheet)
    tall = max(len(column) for column in columns)
    scene = Scene(max(_LEAST_WIDTH, _width(columns, sheet)), 0.0)
    glyph = _glyph(plant, sheet, item, scene.width / 2)
    scene.glyphs.append(glyph)
    for loop in plant.loops.values():
        for stage in loop.stages:
            for index, branch in enumerate(stage.branches):
                for port in (port for port in branch if port.equipment == item.id):
                    stands = Standing(plant, loop, stage, f"{loop.id}/{stage.id}/{index}", branch, port)
                    draw_pipes(scene, sheet, stands, glyph.box, _MIDDLE)
    _values(scene, sheet, columns)
    scene.words, scene.height = sheet.words, _ROWS_TOP + _ROW * tall + key_height(scene.width, left_out=False)
    return scene


def _glyph(plant: Plant, sheet: Sheet, item: Equipment, middle: float) -> Glyph:
    if item.kind == "chiller":
        box = Box(middle - sizes.CHILLER_W / 2, _MIDDLE - 120, sizes.CHILLER_W, 240)
        return glyphs.chiller(sheet, item, box, item.traits.get("cooling", "water"))
    if item.kind == "heat_exchanger":
        return joining.exchanger(sheet, item, Box(middle - sizes.CHILLER_W / 2, _MIDDLE - 110, sizes.CHILLER_W, 220))
    if item.kind == "tower_cell":
        return glyphs.tower(
            sheet,
            plant,
            item,
            Box(middle - sizes.TOWER_W / 2, _MIDDLE - 104, sizes.TOWER_W, 192 + tower_more(plant, item.id)),
        )
    if item.kind == "coil":
        box = Box(middle, _MIDDLE - 70, sizes.COIL_W + sizes.COIL_TEXT_W, 140)
        return glyphs.coil(sheet, item, box, water_of(plant, Port(item.id, "coil")))
    if item.kind == "pump":
        return glyphs.pump(sheet, item, (middle, _MIDDLE), eastward=True)
    if item.kind == "valve":
        return glyphs.valve(item, (middle, _MIDDLE))
    return glyphs.other(sheet, item, (middle, _MIDDLE))


def _entries(plant: Plant, sheet: Sheet, item: Equipment) -> list[Entry]:
    """Return every value of a machine and of its parts, with what it is called."""
    parts = [item.id, *(part.id for part in plant.equipment.values() if part.part_of == item.id)]
    return [
        (name, signal.label if part == item.id else f"{part} {signal.label}")
        for part in parts
        for name, signal in sheet.signals.items()
        if signal.equipment == part
    ]


def _columns(entries: list[Entry], sheet: Sheet) -> list[list[Entry]]:
    """Return the entries in as many columns as bring the sheet nearest to the shape of a window."""

    def parted(count: int) -> list[list[Entry]]:
        rows = max(1, -(-len(entries) // count))
        return [entries[at : at + rows] for at in range(0, max(1, len(entries)), rows)]

    def off(columns: list[list[Entry]]) -> float:
        high = _ROWS_TOP + _ROW * max(len(column) for column in columns)
        return abs(max(_LEAST_WIDTH, _width(columns, sheet)) / high - _ASPECT)

    return min((parted(count) for count in range(1, _COLUMNS_MAX + 1)), key=off)


def _rooms(column: list[Entry], sheet: Sheet) -> tuple[float, float]:
    """Return the room of a column's words and of its values."""
    words = max((width(label, sizes.LABEL) for _, label in column), default=0.0)
    return words + 14, max((sheet.room(name, sizes.FLOW) for name, _ in column), default=0.0)


def _width(columns: list[list[Entry]], sheet: Sheet) -> float:
    return 80 + sum(sum(_rooms(column, sheet)) for column in columns) + _COLUMN_GAP * (len(columns) - 1)


def _values(scene: Scene, sheet: Sheet, columns: list[list[Entry]]) -> None:
    spare = min(_SPARE_MAX, (scene.width - _width(columns, sheet)) / max(1, len(columns) - 1))
    x = 40.0
    for column in columns:
        words, values = _rooms(column, sheet)
        for row, (name, label) in enumerate(column):
            y = _ROWS_TOP + _ROW * row
            scene.marks.append(sheet.text(x, y, label, sizes.LABEL))
            scene.marks.append(sheet.value(name, x + words, y, sizes.FLOW, tight=True))
        x += words + values + _COLUMN_GAP + spare
