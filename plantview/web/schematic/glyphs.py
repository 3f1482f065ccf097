"""Glyphs of the machines: solid works, hollow rests, and the state stands there as a word too."""

from __future__ import annotations

from functools import partial
from typing import Final

from plantview.model.plant import Equipment, Plant
from plantview.web.schematic import sizes
from plantview.web.schematic.geometry import Box, Point
from plantview.web.schematic.labels import shortened, width, wrapped
from plantview.web.schematic.scene import Glyph
from plantview.web.schematic.sheet import Sheet
from plantview.web.schematic.svg import element, group, number, path, title

_NAME_BESIDE_STATE: Final = 120.0
"""A chiller's name that is no wider leaves room for the longest word of a state in its line."""


def machine(item: Equipment, inner: str, class_: str = "") -> str:
    """Return the group that carries one machine's state; it starts as unknown."""
    return group(
        title(item.label) + inner,
        class_=f"machine {item.kind} {class_}".strip(),
        data_equipment=item.id,
        data_state="unknown",
    )


def mass(name: str, **shape: str | float) -> str:
    """Return a shape that fills, half fills or hatches with the machine's state."""
    return (
        element(name, class_="mass", **shape)
        + element(name, class_="half", fill="url(#half)", **shape)
        + element(name, class_="blocked", fill="url(#hatch-soft)", **shape)
    )


def _word(sheet: Sheet, item: Equipment, x: float, y: float, room: float, size: float, anchor: str) -> str:
    return sheet.text(x, y, "?", size, class_="word", anchor=anchor, bold=True, room=room, on=item.id, fit=True)


def _detail(sheet: Sheet, item: Equipment, x: float, y: float, room: float, anchor: str = "start") -> str:
    return sheet.text(x, y, " ", sizes.SMALL, class_="detail", anchor=anchor, room=room, on=item.id, fit=True)


def sign_place(x: float, y: float) -> str:
    """Return the place of the alarm badge and the hand mark of a machine."""
    return element("g", class_="sign", data_x=x, data_y=y)


def chiller(sheet: Sheet, item: Equipment, box: Box, cooled_by: str) -> Glyph:
    """Return a chiller: two vessels and the body between, with load, efficiency and power."""
    vessel = sizes.VESSEL_W
    body = Box(box.x + vessel / 2, box.y + 3, box.w - vessel, box.h - 6)
    inner = mass("rect", x=body.x, y=body.y, width=body.w, height=body.h)
    if cooled_by == "water":
        inner += _vessel(Box(box.x, box.y, vessel, box.h), "condenser")
    else:
        inner += sheet.text(body.x, box.bottom + 19, "air-cooled condenser", sizes.SMALL, on=item.id)
    inner += _vessel(Box(box.right - vessel, box.y, vessel, box.h), "chilled")
    left, right = box.x + vessel + 12, box.right - vessel - 12
    inner += _chiller_text(sheet, item, left, right, box.cy)
    return Glyph(item.id, "chiller", box, machine(item, inner + sign_place(box.x + 8, box.y - 20)))


def _chiller_text(sheet: Sheet, item: Equipment, left: float, right: float, middle: float) -> str:
    out = _chiller_name(sheet, item, left, right, middle)
    value = partial(sheet.value, on=item.id, class_="on-mass", tight=True)
    duty = value(f"{item.id}.load_pct", left, middle + 12, 34, unit="% load")
    duty += value(f"{item.id}.cooling_load_tons", right, middle + 12, sizes.DUTY, anchor="end", unit_si="kW cooling")
    duty += load_bar(f"{item.id}.load_pct", Box(left, middle + 26, right - left, 10))
    duty += value(f"{item.id}.kw_per_ton", left, middle + 72, sizes.DUTY)
    out += group(duty, class_="duty")
    out += value(f"{item.id}.power", right, middle + 72, sizes.DUTY, anchor="end", unit="kW input")
    return out


def _chiller_name(sheet: Sheet, item: Equipment, left: float, right: float, middle: float) -> str:
    """Return name, state and reason: a long name has a line of its own, and its state the next."""
    name, room, size = item.label, right - left, sizes.NAME
    beside = width(name, size, bold=True)
    if beside > _NAME_BESIDE_STATE:
        name, size = shortened(name, room, sizes.LONG_NAME, bold=True), sizes.LONG_NAME
        out = _word(sheet, item, left, middle - 45, room, sizes.STATE, "start")
        out += _detail(sheet, item, left, middle - 21, room)
        return out + sheet.text(left, middle - 70, name, size, class_="name on-mass", bold=True, on=item.id)
    out = _word(sheet, item, right, middle - 61, room - beside - 14, sizes.STATE, "end")
    out += _detail(sheet, item, left, middle - 29, room)
    return out + sheet.text(left, middle - 60, name, size, class_="name on-mass", bold=True, on=item.id)


def load_bar(signal: str, box: Box) -> str:
    """Return a bar from 0 to 100 % that the page fills."""
    return group(
        element("rect", class_="track", x=box.x, y=box.y, width=box.w, height=box.h)
        + element("rect", class_="fill", x=box.x, y=box.y, width=0, height=box.h),
        class_="bar",
        data_bar=signal,
        data_width=box.w,
    )


def _vessel(box: Box, water: str) -> str:
    rim = element(
        "rect",
        class_=f"vessel {water}",
        x=box.x + 3.5,
        y=box.y + 3.5,
        width=box.w - 7,
        height=box.h - 7,
        rx=(box.w - 7) / 2,
    )
    tubes = "".join(
        element("path", class_=f"tube {water}", d=path([(x, box.y + 34), (x, box.bottom - 34)]))
        for x in (box.cx - 8, box.cx, box.cx + 8)
    )
    return rim + tubes


def tower(sheet: Sheet, plant: Plant, item: Equipment, box: Box, is_open: bool = True) -> Glyph:
    """Return a tower cell: its body is the water, the fans on top are fans; a closed circuit shows its coil."""
    fans = plant.parts_of(item.id, "fan")
    deck, skirt = box.y + 42, box.w * 0.05
    body = path(
        [
            (box.x + box.w * 0.09, deck),
            (box.right - box.w * 0.09, deck),
            (box.right - skirt * 0.2, box.bottom),
            (box.x + skirt * 0.2, box.bottom),
        ],
        closed=True,
    )
    inner = mass("path", d=body)
    foot = [(box.x + 16, box.bottom - 13), (box.right - 16, box.bottom - 13)]
    inner += element("path", class_="basin-line" if is_open else "coil-line", d=path(foot) if is_open else _wave(*foot))
    left, room = box.x + 24, box.w - 48
    names = wrapped(item.label, room, sizes.NAME - 2, bold=True)
    y = deck + 32
    for line, name in enumerate(names):
        y = deck + 32 + sizes.LINE * (sizes.NAME - 2) * line
        inner += sheet.text(left, y, name, sizes.NAME - 2, class_="name on-mass", bold=True, on=item.id)
    y += 28
    inner += _word(sheet, item, left, y, room, sizes.LABEL, "start")
    out = machine(item, inner + sign_place(box.x - 14, deck - 36))
    return Glyph(item.id, "tower_cell", box, group(out + _fans(sheet, fans, box, y + 28), class_="cell"))


def _fans(sheet: Sheet, fans: tuple[Equipment, ...], box: Box, y: float) -> str:
    """Return the fans of a cell on its deck and as rows of words; more than there are rows for are counted."""
    drawn = fans if len(fans) <= sizes.FANS_MAX else fans[: sizes.FANS_MAX - 1]
    out, cell = "", fans[0].part_of if fans else ""
    for index, fan in enumerate(drawn):
        wide = min(76.0, box.w / len(drawn) - 8)
        stack = Box(box.x + box.w * (index + 0.5) / len(drawn) - wide / 2, box.y, wide, 40)
        name = "FAN" if len(fans) == 1 else f"FAN {chr(65 + index)}"
        out += _fan(sheet, fan, stack, (box.x + 24, y + sizes.FAN_ROW * index), name)
    if len(drawn) < len(fans):
        words = f"and {len(fans) - len(drawn)} more fans"
        out += sheet.text(box.x + 24, y + sizes.FAN_ROW * len(drawn), words, sizes.SMALL, class_="cell-text", on=cell)
    return out


def _wave(start: tuple[float, float], end: tuple[float, float]) -> str:
    """Return the tubes of a closed-circuit tower as one line of bends."""
    bends = 10
    step = (end[0] - start[0]) / bends
    return f"M{start[0]:.1f} {start[1]:.1f}" + "".join(
        f"q{step / 2:.1f} {-18 if bend % 2 else 18} {step:.1f} 0" for bend in range(bends)
    )


_BLADES: Final = "M0 0c8 -13 26 -13 29 -1c-8 9 -21 9 -29 1c-8 13 -26 13 -29 1c8 -9 21 -9 29 -1z"


def _fan(sheet: Sheet, fan: Equipment, stack: Box, at_row: Point, name: str) -> str:
    (x, y), cell = at_row, fan.part_of
    top = path(
        [(stack.x + 8, stack.y), (stack.right - 8, stack.y), (stack.right, stack.bottom), (stack.x, stack.bottom)],
        closed=True,
    )
    place = f"translate({number(stack.cx)} {number(stack.cy)}) scale({stack.w / 76:.2f})"
    inner = mass("path", d=top) + element("path", class_="blades", d=_BLADES, transform=place)
    text = sheet.text(x, y, name, sizes.SMALL, class_="cell-text", on=cell)
    at = x + (52 if name == "FAN" else 72)
    text += sheet.text(
        at, y, "?", sizes.LABEL, class_="word cell-text", bold=True, room=116, on=cell, fit=True, turn=fan.id
    )
    speed = sheet.value(
        f"{fan.id}.speed",
        at,
        y,
        sizes.LABEL,
        unit="% speed",
        on=cell,
        class_="cell-text speed",
        tight=True,
        turn=fan.id,
    )
    return machine(fan, inner + text + speed, "has-speed" if speed else "")


def pump(sheet: Sheet, item: Equipment, centre: tuple[float, float], eastward: bool) -> Glyph:
    """Return a pump: a circle with a triangle in flow direction, name, state and speed below."""
    x, y = centre
    r = sizes.PUMP_R
    point = 1 if eastward else -1
    nose = path([(x - 15 * point, y - 19), (x + 22 * point, y), (x - 15 * point, y + 19)], closed=True)
    inner = mass("circle", cx=x, cy=y, r=r - 2) + element("path", class_="nose", d=nose)
    room = sizes.PUMP_TEXT_W
    at = y + r - 5
    for name in wrapped(item.label, room, sizes.STATE, bold=True):
        at += 24
        inner += sheet.text(x, at, name, sizes.STATE, class_="name", anchor="middle", bold=True, room=room)
    inner += sheet.text(x, at + 24, "?", sizes.LABEL, class_="word", anchor="middle", bold=True, room=room, fit=True)
    speed = sheet.value(
        f"{item.id}.speed", x, at + 48, sizes.LABEL, anchor="middle", unit="% speed", class_="speed", turn=item.id
    )
    inner += speed + sheet.text(
        x, at + 48, " ", sizes.SMALL, class_="detail", anchor="middle", room=room, fit=True, turn=item.id
    )
    box = Box(x - r, y - r, 2 * r, 2 * r)
    return Glyph(
        item.id, "pump", box, machine(item, inner + sign_place(x + 14, y - r - 6), "has-speed" if speed else "")
    )


def valve(item: Equipment, centre: tuple[float, float]) -> Glyph:
    """Return a valve: two triangles, always hollow, because a fill would seem to tell its position."""
    x, y = centre
    box = Box(x - sizes.VALVE_W / 2, y - sizes.VALVE_H / 2, sizes.VALVE_W, sizes.VALVE_H)
    return Glyph(item.id, "valve", box, machine(item, bow(box) + sign_place(x - 15, box.y - 26)))


def bow(box: Box) -> str:
    """Return the shape of a valve in a pipe along the stages."""
    corners = [(box.x, box.y), (box.right, box.bottom), (box.right, box.y), (box.x, box.bottom)]
    return element("path", class_="bow", d=path(corners, closed=True))


def coil(sheet: Sheet, item: Equipment, box: Box, water: str) -> Glyph:
    """Return a coil: water enters at its bottom and leaves at its top, so that air is pushed out.

    Common practice, no source. ``water`` is that of its loop.
    """
    inner = element("rect", class_="shell", x=box.x, y=box.y, width=sizes.COIL_W, height=box.h)
    rows, left, right = 6, box.x, box.x + sizes.COIL_W
    step = (box.h - 28) / rows
    points = [(left, box.bottom - 14)]
    for row in range(rows + 1):
        y = box.bottom - 14 - row * step
        ends = (right - 12, left + 14) if row % 2 == 0 else (left + 14, right - 12)
        points += [(points[-1][0], y), (ends[0], y)]
    points.append((left, box.y + 14))
    inner += element("path", class_="serpentine", d=path(points))
    x, room = box.x + sizes.COIL_W + 14, sizes.COIL_TEXT_W - 26
    names = wrapped(item.label, room, sizes.STATE, bold=True)
    for line, name in enumerate(names):
        y = box.cy - 8 - sizes.LINE * sizes.STATE * (len(names) - 1 - line)
        inner += sheet.text(x, y, name, sizes.STATE, class_="name", bold=True, on=item.id)
    inner += sheet.value(f"{item.id}.flow", x, box.cy + 76, sizes.LABEL, on=item.id, tight=True)
    if f"{item.id}.leaving_air_temp" in sheet.signals:
        inner += sheet.text(x, box.cy + 18, "leaving air", sizes.SMALL, on=item.id)
        inner += sheet.value(f"{item.id}.leaving_air_temp", x, box.cy + 47, sizes.FLOW, on=item.id, tight=True)
    return Glyph(item.id, "coil", box, machine(item, inner + sign_place(box.x - 14, box.y - 16), water))


def other(sheet: Sheet, item: Equipment, centre: tuple[float, float]) -> Glyph:
    """Return a plain box with its name, for a machine without a glyph and a state of its own."""
    x, y = centre
    room = sizes.OTHER_W - 30
    box = Box(x - room / 2, y - 36, room, 72)
    inner = element("rect", class_="shell", x=box.x, y=box.y, width=box.w, height=box.h)
    name = shortened(item.label, room - 8, sizes.LABEL, bold=True)
    inner += sheet.text(x, y - 6, name, sizes.LABEL, class_="name", anchor="middle", bold=True, on=item.id)
    inner += sheet.value(f"{item.id}.temp", x, y + 24, sizes.SMALL, anchor="middle", on=item.id, tight=True)
    return Glyph(item.id, item.kind, box, machine(item, inner + sign_place(box.x - 8, box.y - 10)))
