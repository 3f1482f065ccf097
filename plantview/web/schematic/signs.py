"""The marks beside machines and values, as ``assets/live_drawing.js`` draws them too: shape, letter, baseline."""

from __future__ import annotations

from typing import Final
from xml.etree import ElementTree as ET

from plantview.web.schematic.svg import number

SIGNS: Final[dict[str, tuple[str, str, int]]] = {
    "p1": ("M10 1H22L31 10V22L22 31H10L1 22V10Z", "1", 23),
    "p2": ("M16 2L31 29H1Z", "2", 26),
    "p3": ("M16 1L31 16L16 31L1 16Z", "3", 23),
    "p4": ("M16 3A13 13 0 1 0 16 29A13 13 0 1 0 16 3Z", "4", 23),
    "hand": ("M4 4H28V28H4Z", "H", 23),
    "held": ("M2 4H22L31 16L22 28H2Z", "O", 23),
}


def put_sign(parent: ET.Element, name: str, x: float, y: float, size: float) -> None:
    """Draw a mark with its upper left corner at a place, ``size`` high."""
    shape, letter, baseline = SIGNS[name]
    place = f"translate({number(x)} {number(y)}) scale({size / 32:.3f})"
    group = ET.SubElement(parent, "g", {"class": f"sign sign-shape {name}", "transform": place, "data-sign": name})
    ET.SubElement(group, "path", {"d": shape})
    text = {"x": "16", "y": str(baseline), "font-size": "20", "text-anchor": "middle"}
    ET.SubElement(group, "text", text).text = letter
