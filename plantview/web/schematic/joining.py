"""Glyphs of the machines that join two waters without a compressor: plate exchangers and recovery condensers."""

from __future__ import annotations

from plantview.model.plant import Equipment
from plantview.web.schematic import sizes
from plantview.web.schematic.geometry import Box
from plantview.web.schematic.glyphs import machine, mass, sign_place
from plantview.web.schematic.labels import shortened, width
from plantview.web.schematic.scene import Glyph
from plantview.web.schematic.sheet import Sheet
from plantview.web.schematic.svg import element, path

_PLATES = 6
_STEP = 11.0


def exchanger(sheet: Sheet, item: Equipment, box: Box) -> Glyph:
    """Return a plate exchanger: the plates of the cool water at its left, those of the warm at its right."""
    inner = mass("rect", x=box.x, y=box.y, width=box.w, height=box.h)
    for water, first, way in (("condenser", box.x + 13, 1), ("chilled", box.right - 13, -1)):
        for plate in range(_PLATES):
            x = first + way * plate * _STEP
            inner += element("path", class_=f"tube {water}", d=path([(x, box.y + 12), (x, box.bottom - 12)]))
    inner += _texts(sheet, item.id, item.label, box, 13 + _PLATES * _STEP)
    return Glyph(item.id, "heat_exchanger", box, machine(item, inner + sign_place(box.x + 8, box.y - 20)))


def recovery(sheet: Sheet, item: Equipment, box: Box) -> Glyph:
    """Return the recovery condenser of a chiller, drawn apart from it with the chiller's own state."""
    place = f"{item.id}.recovery"
    inner = mass("rect", x=box.x, y=box.y, width=box.w, height=box.h, rx=box.h / 2)
    inner += _texts(sheet, place, item.label, box, 40, -20)
    inner += sheet.text(box.x + 46, box.cy + 8, "heat recovery", sizes.STATE, class_="on-mass", on=place)
    return Glyph(place, "recovery", box, machine(item, inner + sign_place(box.x + 8, box.y - 20)))


def _texts(sheet: Sheet, on: str, name: str, box: Box, aside: float, up: float = 0.0) -> str:
    left, right = box.x + aside + 6, box.right - aside - 6
    name = shortened(name, (right - left) * 0.72, sizes.NAME, bold=True)
    room = right - left - width(name, sizes.NAME, bold=True) - 14
    out = sheet.text(left, box.cy - 4 + up, name, sizes.NAME, class_="name on-mass", bold=True, on=on)
    out += sheet.text(
        right, box.cy - 5 + up, "?", sizes.STATE, class_="word", anchor="end", bold=True, room=room, on=on, fit=True
    )
    detail = box.cy + (30 if not up else 38)
    return out + sheet.text(left, detail, " ", sizes.SMALL, class_="detail", room=right - left, on=on, fit=True)
