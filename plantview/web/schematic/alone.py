"""One machine alone: its glyph, the pipes at each of its ports, and every value of it and of its parts."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Final

from plantview.model.plant import Equipment, Loop, Plant, Port, Stage
from plantview.model.services import WORDS, service_of
from plantview.model.signal import Signal
from plantview.web.schematic import glyphs, joining, sizes
from plantview.web.schematic.geometry import Box
from plantview.web.schematic.key import key_height
from plantview.web.schematic.labels import shortened
from plantview.web.schematic.scene import Glyph, Pipe, Scene
from plantview.web.schematic.sheet import Sheet

_WIDTH: Final = 1560.0
_MIDDLE: Final = 190.0
"""Height of the machine's middle; its pipes reach to the sides of the sheet."""
_ROWS_TOP: Final = 400.0
_ROW: Final = 42.0
_COLUMNS: Final = 3
_LABEL_ROOM: Final = 250.0
_LEFT_SIDES: Final = ("condenser", "cool")
_OFFSET: Final = 56.0


def compose_machine(plant: Plant, item: Equipment, signals: Mapping[str, Signal]) -> Scene:
    """Return the drawing of one machine."""
    sheet, scene = Sheet(signals), Scene(_WIDTH, 0.0)
    glyph = _glyph(plant, sheet, item)
    scene.glyphs.append(glyph)
    for loop in plant.loops.values():
        for stage in loop.stages:
            for index, branch in enumerate(stage.branches):
                for port in (port for port in branch if port.equipment == item.id):
                    _pipes(scene, sheet, loop, stage, f"{loop.id}/{stage.id}/{index}", port, glyph.box)
    bottom = _values(plant, scene, sheet, item)
    scene.words, scene.height = sheet.words, bottom + key_height(_WIDTH, left_out=False)
    return scene


def _glyph(plant: Plant, sheet: Sheet, item: Equipment) -> Glyph:
    middle = _WIDTH / 2
    if item.kind == "chiller":
        box = Box(middle - sizes.CHILLER_W / 2, _MIDDLE - 95, sizes.CHILLER_W, 190)
        return glyphs.chiller(sheet, item, box, item.traits.get("cooling", "water"))
    if item.kind == "heat_exchanger":
        return joining.exchanger(sheet, item, Box(middle - sizes.CHILLER_W / 2, _MIDDLE - 75, sizes.CHILLER_W, 150))
    if item.kind == "tower_cell":
        return glyphs.tower(sheet, plant, item, Box(middle - sizes.TOWER_W / 2, _MIDDLE - 104, sizes.TOWER_W, 192))
    if item.kind == "coil":
        return glyphs.coil(sheet, item, Box(middle, _MIDDLE - 70, sizes.COIL_W + sizes.COIL_TEXT_W, 140))
    if item.kind == "pump":
        return glyphs.pump(sheet, item, (middle, _MIDDLE), eastward=True)
    if item.kind == "valve":
        return glyphs.valve(item, (middle, _MIDDLE))
    return glyphs.other(sheet, item, (middle, _MIDDLE))


def _pipes(scene: Scene, sheet: Sheet, loop: Loop, stage: Stage, key: str, port: Port, box: Box) -> None:
    """Draw the pipe into a port and the one out of it, each with the header that it leads from or to."""
    through = port.side == "" and box.w < sizes.TOWER_W
    at_left = port.side in _LEFT_SIDES
    edge, far = (box.x, 40.0) if at_left else (box.right, _WIDTH - 40.0)
    if port.side == "coil":
        edge, far, at_left = box.x, 40.0, True
    for role, header in (("in", stage.start), ("out", stage.end)):
        y = _MIDDLE + (_OFFSET if (role == "in") == bool(port.side) else -_OFFSET)
        if through:
            y, at_left = _MIDDLE, role == "in"
            edge, far = (box.cx, 40.0) if at_left else (box.cx, _WIDTH - 40.0)
        if port.side == "recovery":
            y += 2 * _OFFSET + 22
        service = service_of(loop, header)
        ends = ((far, y), (edge, y)) if role == "in" else ((edge, y), (far, y))
        scene.pipes.append(Pipe("stub", header, service, ends, ((key, 1),), WORDS[service]))
        words = f"{'from' if role == 'in' else 'to'} {header}: {WORDS[service]}"
        room = abs(far - edge) - (40 if not through else 130)
        text = shortened(words, room, sizes.LABEL)
        x, anchor = (far, "start") if at_left else (far, "end")
        scene.marks.append(sheet.text(x, y - 18, text, sizes.LABEL, anchor=anchor))


def _values(plant: Plant, scene: Scene, sheet: Sheet, item: Equipment) -> float:
    """List every value of a machine and of its parts in columns; return where the list ends."""
    parts = [item.id, *(part.id for part in plant.equipment.values() if part.part_of == item.id)]
    names = [name for part in parts for name, signal in sheet.signals.items() if signal.equipment == part]
    rows = max(1, -(-len(names) // _COLUMNS))
    wide = (_WIDTH - 80) / _COLUMNS
    for place, name in enumerate(names):
        signal = sheet.signals[name]
        x, y = 40 + wide * (place // rows), _ROWS_TOP + _ROW * (place % rows)
        label = signal.label if signal.equipment == item.id else f"{signal.equipment} {signal.label}"
        scene.marks.append(sheet.text(x, y, shortened(label, _LABEL_ROOM, sizes.LABEL), sizes.LABEL))
        scene.marks.append(sheet.value(name, x + _LABEL_ROOM + 12, y, sizes.FLOW, tight=True))
    return _ROWS_TOP + _ROW * rows
