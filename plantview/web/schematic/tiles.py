"""Machines of the overview: one tile each, with a name, a state as a word, and the one number that matters most.

The marks are those of the flow diagram: solid works, hollow rests, a hatched one is not available.
"""

from __future__ import annotations

from functools import partial
from typing import Final

from plantview.model.plant import Equipment, Plant
from plantview.web.schematic import sizes
from plantview.web.schematic.geometry import Box, Point
from plantview.web.schematic.glyphs import load_bar, machine, mass, sign_place
from plantview.web.schematic.labels import BOLD_SPACING, shortened, squeezed, width
from plantview.web.schematic.scene import Glyph
from plantview.web.schematic.sheet import Sheet
from plantview.web.schematic.svg import element, group, path

NAME: Final = 26.0
WORD: Final = 22.0
NUMBER: Final = 34.0
VALUE: Final = 26.0
STACK: Final = 26.0
"""Height of the fans on a tower."""
VESSEL: Final = 14.0
PUMP_H: Final = 60.0
LEAVING: Final = "out"
"""Beside the temperature of the chilled water that leaves a chiller: the foot of the drawing says so."""
TOLD: Final = (f"{LEAVING}: chilled water leaving the chiller (CHWS)", "% of a pump or fan: its speed")
_SOLID: Final = ("tower_cell", "pump", "chiller", "heat_exchanger")
"""Kinds whose tiles are filled while they work."""
_INSET: Final = 9.0
_TAPER: Final = 18.0
"""The same in a tower, whose sides slope."""


def tile(sheet: Sheet, plant: Plant, item: Equipment, box: Box, downward: bool = True) -> Glyph:
    """Return the tile of a machine; a pump's points ``downward`` or up, with its water."""
    if item.kind == "pump":
        return _pump(sheet, item, box, downward)
    if item.kind == "tower_cell":
        return _tower(sheet, plant, item, box)
    if item.kind == "chiller":
        return _chiller(sheet, item, box)
    if item.kind == "coil":
        return _coil(sheet, item, box)
    if item.kind == "heat_exchanger":
        inner = mass("rect", x=box.x, y=box.y, width=box.w, height=box.h)
        return _plain(sheet, item, box, inner)
    return _other(sheet, item, box)


def recovery(sheet: Sheet, item: Equipment, box: Box) -> Glyph:
    """Return the recovery condenser of a chiller, drawn apart from it with the chiller's own state."""
    place = f"{item.id}.recovery"
    inner = mass("rect", x=box.x, y=box.y, width=box.w, height=box.h, rx=28)
    inner += _head(sheet, item, box, box.y + 34, place)
    inner += sheet.text(box.x + _INSET, box.y + 90, "heat recovery", WORD, class_="on-mass", on=place)
    return Glyph(place, "recovery", box, machine(item, inner + sign_place(box.x - 16, box.y - 18), "tile"))


def _glyph(item: Equipment, box: Box, inner: str) -> Glyph:
    return Glyph(item.id, item.kind, box, machine(item, inner + sign_place(box.x - 16, box.y - 18), "tile"))


def _head(sheet: Sheet, item: Equipment, box: Box, y: float, on: str = "", inset: float = _INSET) -> str:
    """Return name and state, one below the other."""
    x, room, on = box.x + inset, box.w - 2 * inset, on or item.id
    return _name(sheet, item, (x, y), room, on=on) + sheet.text(
        x, y + 26, "?", WORD, class_="word", bold=True, room=room, on=on, fit=True
    )


def _name(sheet: Sheet, item: Equipment, at: Point, room: float, anchor: str = "start", on: str = "") -> str:
    """Return a name, set narrower where it is a little too long for its room, else shortened."""
    class_ = "name on-mass" if item.kind in _SOLID else "name"
    size = NAME if width(item.label, NAME, bold=True, spacing=BOLD_SPACING) <= room else NAME - 2
    name, squeeze = squeezed(item.label, room, size, bold=True)
    return sheet.text(*at, name, size, class_=class_, anchor=anchor, bold=True, on=on or item.id, squeeze=squeeze)


def _plain(sheet: Sheet, item: Equipment, box: Box, inner: str) -> Glyph:
    inner += _head(sheet, item, box, box.y + 34)
    inner += sheet.text(
        box.x + _INSET, box.y + 90, " ", WORD, class_="detail", room=box.w - 2 * _INSET, on=item.id, fit=True
    )
    return _glyph(item, box, inner)


def _chiller(sheet: Sheet, item: Equipment, box: Box) -> Glyph:
    inner = mass("rect", x=box.x + 4, y=box.y + VESSEL / 2, width=box.w - 8, height=box.h - VESSEL)
    sides = ["chilled"] if item.traits.get("cooling", "water") != "water" else ["condenser", "chilled"]
    for water in sides:
        y = box.y if water == "condenser" else box.bottom - VESSEL
        rim = {"x": box.x + 2, "y": y + 2, "width": box.w - 4, "height": VESSEL - 4, "rx": (VESSEL - 4) / 2}
        inner += element("rect", class_=f"vessel {water}", **rim)
    inner += _head(sheet, item, box, box.y + 42)
    x, room = box.x + _INSET, box.w - 2 * _INSET
    inner += sheet.text(x, box.y + 94, " ", WORD, class_="detail", room=room, on=item.id, fit=True, turn=item.id)
    value = partial(sheet.value, on=item.id, class_="on-mass", tight=True)
    duty = value(f"{item.id}.load_pct", x, box.y + 104, NUMBER, unit="% load", turn=item.id)
    inner += group(duty + load_bar(f"{item.id}.load_pct", Box(x, box.y + 113, room, 9)), class_="duty")
    if f"{item.id}.chws_temp" in sheet.signals:
        inner += sheet.text(x, box.y + 150, LEAVING, WORD, class_="on-mass", on=item.id)
        inner += value(f"{item.id}.chws_temp", x + width(LEAVING, WORD) + 8, box.y + 150, VALUE)
    return Glyph(item.id, item.kind, box, machine(item, inner + sign_place(box.x - 16, box.y - 20), "tile"))


def _tower(sheet: Sheet, plant: Plant, item: Equipment, box: Box) -> Glyph:
    deck = box.y + STACK
    corners = [(box.x + 12, deck), (box.right - 12, deck), (box.right, box.bottom), (box.x, box.bottom)]
    inner = mass("path", d=path(corners, closed=True)) + _head(sheet, item, box, deck + 32, inset=_TAPER)
    out = machine(item, inner + sign_place(box.x - 8, deck - 20), "tile")
    fans = plant.parts_of(item.id, "fan")
    drawn = fans if len(fans) <= sizes.FANS_MAX else fans[: sizes.FANS_MAX - 1]
    for index, fan in enumerate(drawn):
        wide = min(64.0, (box.w - 24) / len(drawn))
        x = box.cx + wide * (index - len(drawn) / 2)
        stack = Box(x + 2, box.y, wide - 4, STACK - 2)
        row = Box(box.x + _TAPER, deck + 86 + sizes.FAN_ROW * index, box.w - 2 * _TAPER, 0)
        out += _fan(sheet, fan, stack, row, "FAN" if len(fans) == 1 else chr(65 + index))
    if len(drawn) < len(fans):
        y = deck + 86 + sizes.FAN_ROW * len(drawn)
        words = f"and {len(fans) - len(drawn)} more"
        out += sheet.text(box.x + _TAPER, y, words, WORD, class_="cell-text", on=item.id)
    return Glyph(item.id, item.kind, box, group(out, class_="cell"))


def _fan(sheet: Sheet, fan: Equipment, stack: Box, row: Box, name: str) -> str:
    corners = [(stack.x + 6, stack.y), (stack.right - 6, stack.y), (stack.right, stack.bottom), (stack.x, stack.bottom)]
    x, cell = row.x + width(name, WORD) + 8, fan.part_of
    text = sheet.text(row.x, row.y, name, WORD, class_="cell-text", on=cell)
    text += sheet.text(
        x, row.y, "?", WORD, class_="word cell-text", bold=True, room=row.right - x, on=cell, fit=True, turn=fan.id
    )
    speed = sheet.value(
        f"{fan.id}.speed", x, row.y, WORD, unit="%", on=cell, class_="cell-text speed", tight=True, turn=fan.id
    )
    return machine(fan, mass("path", d=path(corners, closed=True)) + text + speed, "has-speed" if speed else "")


def _pump(sheet: Sheet, item: Equipment, box: Box, downward: bool) -> Glyph:
    edge, way = (box.bottom, 1) if downward else (box.y, -1)
    nose = path([(box.cx - 18, edge), (box.cx + 18, edge), (box.cx, edge + 13 * way)], closed=True)
    inner = element("path", class_="nose", d=nose)
    inner += mass("rect", x=box.x, y=box.y, width=box.w, height=box.h, rx=box.h / 2)
    room = box.w - 24
    inner += _name(sheet, item, (box.cx, box.y + 27), room, anchor="middle")
    inner += sheet.text(
        box.cx, box.y + 51, "?", WORD, class_="word", anchor="middle", bold=True, room=room, on=item.id, fit=True,
        turn=item.id,
    )  # fmt: skip
    x = box.x + 16
    at = x + width("RUN", WORD, bold=True) + 10
    speed = sheet.value(f"{item.id}.speed", at, box.y + 51, WORD, unit="%", on=item.id, tight=True, turn=item.id)
    named = "tile has-speed" if speed else "tile"
    if speed:
        word = sheet.text(x, box.y + 51, "RUN", WORD, class_="name", bold=True, on=item.id, turn=item.id)
        speed = group(word + speed, class_="speed on-mass")
    return Glyph(item.id, item.kind, box, machine(item, inner + speed + sign_place(box.x - 12, box.y - 20), named))


def _coil(sheet: Sheet, item: Equipment, box: Box) -> Glyph:
    inner = element("rect", class_="shell", x=box.x, y=box.y, width=box.w, height=box.h)
    x, room = box.x + _INSET, box.w - 2 * _INSET
    inner += _name(sheet, item, (x, box.y + 27), room)
    building = shortened(item.building, room, WORD)
    inner += sheet.text(x, box.y + 52, building, WORD, on=item.id) if building else ""
    inner += sheet.value(f"{item.id}.leaving_air_temp", x, box.bottom - 10, WORD, caption="air", on=item.id, tight=True)
    return _glyph(item, box, inner)


def _other(sheet: Sheet, item: Equipment, box: Box) -> Glyph:
    inner = element("rect", class_="shell", x=box.x, y=box.y, width=box.w, height=box.h)
    inner += _name(sheet, item, (box.x + _INSET, box.y + 27), box.w - 2 * _INSET)
    inner += sheet.value(f"{item.id}.temp", box.x + _INSET, box.y + 51, WORD, on=item.id, tight=True)
    return _glyph(item, box, inner)


def valve(item: Equipment, centre: tuple[float, float]) -> Glyph:
    """Return a valve in an upright pipe."""
    x, y = centre
    box = Box(x - sizes.VALVE_H / 2, y - sizes.VALVE_W / 2, sizes.VALVE_H, sizes.VALVE_W)
    corners = [(box.x, box.y), (box.right, box.y), (box.x, box.bottom), (box.right, box.bottom)]
    bow = element("path", class_="bow", d=path(corners, closed=True))
    return Glyph(item.id, "valve", box, machine(item, bow + sign_place(box.right + 2, box.y - 8)))
