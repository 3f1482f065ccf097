"""One machine in the list: its shape, its name and state, its numbers."""

from __future__ import annotations

from functools import partial
from typing import Final

from plantview.model.plant import Equipment, Plant, Port
from plantview.web.schematic.geometry import Box
from plantview.web.schematic.glyphs import load_bar, machine, mass, sign_place
from plantview.web.schematic.labels import squeezed, width
from plantview.web.schematic.placing import water_of
from plantview.web.schematic.scene import Glyph
from plantview.web.schematic.sheet import Sheet
from plantview.web.schematic.svg import element, group, path

WIDTH: Final = 780.0
LEFT: Final = 24.0
RIGHT: Final = 752.0
TEXT_X: Final = 112.0
LABEL: Final = 29.0
SMALL: Final = 27.0
"""The floor: 11 CSS pixels on a screen of 320, 13.5 on one of 390."""
NAME: Final = 34.0
VALUE: Final = 34.0
ROW: Final = 94.0
_LINE: Final = 36.0
_CHILLER_TALL: Final = 348.0
_CHILLER_TEMPS: Final = (
    ("CWS", "cws_temp", "condenser"),
    ("CWR", "cwr_temp", "condenser"),
    ("CHWS", "chws_temp", "evaporator"),
    ("CHWR", "chwr_temp", "evaporator"),
)


def row(plant: Plant, item: Equipment, sheet: Sheet, y: float) -> tuple[Glyph, float]:
    """Return a machine's row that begins at ``y``, and how much of the list it takes."""
    if item.kind == "chiller":
        return _chiller(plant, sheet, item, y), _CHILLER_TALL + 18
    if item.kind == "tower_cell":
        return _tower(plant, sheet, item, y)
    shape, numbers = {"pump": (_pump_shape, _pump_numbers), "coil": (_coil_shape, _coil_numbers)}.get(
        item.kind, (_plain_shape, _no_numbers)
    )
    inner = shape(y) + _name(sheet, item, y) + numbers(sheet, item, y) + sign_place(70, y + 4)
    speed = "has-speed" if f"{item.id}.speed" in sheet.signals else ""
    water = water_of(plant, Port(item.id, "coil")) if item.kind == "coil" else ""
    return Glyph(item.id, item.kind, Box(LEFT, y, 60, ROW - 20), machine(item, inner, f"{speed} {water}")), ROW


def _name(sheet: Sheet, item: Equipment, y: float) -> str:
    room = 300.0
    text, squeeze = squeezed(item.label, 330.0, NAME, bold=True)
    name = sheet.text(TEXT_X, y + 34, text, NAME, class_="name", bold=True, squeeze=squeeze)
    word = (
        ""
        if item.kind == "coil"
        else sheet.text(TEXT_X, y + 70, "?", LABEL, class_="word", bold=True, room=room, fit=True)
    )
    return name + word


def _pump_shape(y: float) -> str:
    x, middle = 54.0, y + 40
    nose = path([(x - 17, middle - 13), (x + 17, middle - 13), (x, middle + 19)], closed=True)
    return mass("circle", cx=x, cy=middle, r=29) + element("path", class_="nose", d=nose)


def _pump_numbers(sheet: Sheet, item: Equipment, y: float) -> str:
    speed = sheet.value(
        f"{item.id}.speed", RIGHT, y + 34, VALUE, anchor="end", unit="% speed", class_="speed", tight=True
    )
    power = sheet.value(f"{item.id}.power", RIGHT, y + 70, LABEL, anchor="end", unit="kW input", tight=True)
    detail = element("text", " ", class_="detail", x=RIGHT, y=y + 34, font_size=LABEL, text_anchor="end", data_fit=290)
    return speed + detail + power


def _coil_shape(y: float) -> str:
    wave = "".join(f"L{x} {y + 62 - 16 * n}" for n in range(3) for x in ((40, 68) if n % 2 == 0 else (68, 40)))
    shell = element("rect", class_="shell", x=30, y=y + 8, width=48, height=66)
    return shell + element("path", class_="serpentine", d=f"M30 {y + 62}{wave}")


def _coil_numbers(sheet: Sheet, item: Equipment, y: float) -> str:
    out = sheet.value(f"{item.id}.valve_position", RIGHT, y + 34, VALUE, anchor="end", unit="% open", tight=True)
    air = f"{item.id}.leaving_air_temp"
    if air in sheet.signals:
        out += sheet.text(TEXT_X, y + 70, "leaving air", LABEL)
        out += sheet.value(air, TEXT_X + width("leaving air", LABEL) + 12, y + 70, VALUE, tight=True)
    water = f"{item.id}.chwr_temp"
    if water in sheet.signals:
        value = sheet.value(water, RIGHT, y + 70, VALUE, anchor="end", tight=True)
        room = sheet.room(water, VALUE) - VALUE
        out += sheet.text(RIGHT - room - 8, y + 70, "CHWR", LABEL, anchor="end") + value
    return out


def _plain_shape(y: float) -> str:
    return mass("rect", x=28, y=y + 12, width=52, height=56)


def _no_numbers(sheet: Sheet, _item: Equipment, y: float) -> str:
    return sheet.text(RIGHT, y + 34, " ", LABEL, class_="detail", anchor="end", room=300, fit=True)


def _tower(plant: Plant, sheet: Sheet, item: Equipment, y: float) -> tuple[Glyph, float]:
    body = path([(32, y + 34), (76, y + 34), (84, y + 78), (24, y + 78)], closed=True)
    out = machine(item, mass("path", d=body) + _name(sheet, item, y) + sign_place(72, y + 2))
    fans = plant.parts_of(item.id, "fan")
    wide = 28.0 if len(fans) == 1 else 52.0 / max(1, len(fans))
    line = y + 34
    for index, fan in enumerate(fans):
        left = 54.0 + wide * (index - len(fans) / 2)
        out += _fan(sheet, fan, Box(left + 1, y + 8, wide - 2, 23), line, _letter(index, len(fans)))
        line += _LINE
    if f"{item.id}.leaving_temp" in sheet.signals:
        branch = _branch(plant, Port(item.id, ""))
        out += sheet.text(RIGHT - 200, line, "CWS", LABEL, anchor="end")
        out += sheet.value(f"{item.id}.leaving_temp", RIGHT, line, VALUE, anchor="end", tight=True, branch=branch)
        line += _LINE
    tall = max(ROW, line - y + 24 - _LINE)
    return Glyph(item.id, "tower_cell", Box(LEFT, y, 62, ROW - 14), group(out, class_="cell-row")), tall


def _letter(index: int, fans: int) -> str:
    return "FAN" if fans == 1 else f"FAN {chr(65 + index)}"


def _fan(sheet: Sheet, fan: Equipment, stack: Box, line: float, name: str) -> str:
    """Return a fan's stack on the tower, and its state or speed in the line of its own."""
    taper = stack.w * 0.14
    corners = [(stack.x + taper, stack.y), (stack.right - taper, stack.y), (stack.right, stack.bottom)]
    out = mass("path", d=path([*corners, (stack.x, stack.bottom)], closed=True))
    out += sheet.text(RIGHT - 200, line, name, LABEL, anchor="end")
    out += sheet.text(RIGHT, line, "?", LABEL, class_="word", anchor="end", bold=True, room=190, fit=True, turn=fan.id)
    speed = sheet.value(
        f"{fan.id}.speed", RIGHT, line, VALUE, anchor="end", unit="% speed", class_="speed", tight=True, turn=fan.id
    )
    return machine(fan, out + speed, "has-speed" if speed else "")


def _chiller(plant: Plant, sheet: Sheet, item: Equipment, y: float) -> Glyph:
    box = Box(LEFT - 4, y, RIGHT - LEFT + 8, _CHILLER_TALL)
    inner = mass("rect", x=box.x + 4, y=y + 18, width=box.w - 8, height=box.h - 36)
    for top, water in ((y, "condenser"), (y + box.h - 38, "chilled")):
        if water == "chilled" or item.traits.get("cooling", "water") == "water":
            inner += element(
                "rect", class_=f"vessel {water}", x=box.x + 3, y=top + 3, width=box.w - 6, height=32, rx=16
            )
    left, right = LEFT + 22, RIGHT - 22
    name, squeeze = squeezed(item.label, 340, NAME, bold=True)
    inner += sheet.text(left, y + 80, name, NAME, class_="name on-mass", bold=True, on=item.id, squeeze=squeeze)
    inner += sheet.text(
        right, y + 80, "?", LABEL, class_="word", anchor="end", bold=True, room=330, on=item.id, fit=True
    )
    inner += sheet.text(left, y + 114, " ", LABEL, class_="detail", room=right - left, on=item.id, fit=True)
    value = partial(sheet.value, on=item.id, class_="on-mass", tight=True)
    duty = value(f"{item.id}.load_pct", left, y + 160, 42, unit="% load")
    duty += value(f"{item.id}.cooling_load_tons", right, y + 160, VALUE, anchor="end", unit_si="kW cooling")
    duty += load_bar(f"{item.id}.load_pct", Box(left, y + 172, right - left, 10))
    duty += value(f"{item.id}.kw_per_ton", left, y + 222, VALUE)
    inner += group(duty, class_="duty")
    inner += value(f"{item.id}.power", right, y + 222, VALUE, anchor="end", unit="kW input")
    column = (right - left) / 4
    for place, (name, measured, side) in enumerate(_CHILLER_TEMPS):
        if f"{item.id}.{measured}" in sheet.signals:
            x = left + place * column
            inner += sheet.text(x, y + 266, name, LABEL - 2, class_="on-mass", on=item.id)
            inner += value(f"{item.id}.{measured}", x, y + 300, 30, branch=_branch(plant, Port(item.id, side)))
    return Glyph(item.id, "chiller", box, machine(item, inner + sign_place(box.x - 2, y - 14)))


def _branch(plant: Plant, port: Port) -> str:
    """Return the flow key of the branch in which a port stands."""
    found = plant.stage_with(port)
    if found is None:
        return ""
    loop, stage = found
    return next(f"{loop.id}/{stage.id}/{index}" for index, ports in enumerate(stage.branches) if port in ports)
