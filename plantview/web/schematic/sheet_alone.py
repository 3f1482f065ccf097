"""A drawing that stands by itself: the values of one moment in it, its styles embedded, its time in its head.

Opened anywhere, printed or mailed, it needs neither this program nor a network.
"""

from __future__ import annotations

import functools
import re
from collections.abc import Mapping
from typing import Final
from xml.etree import ElementTree as ET

from plantview.clock import local_text
from plantview.config.bundled import bundled
from plantview.model.plant import Plant
from plantview.web.schematic.colours import variables
from plantview.web.schematic.filling import Moment, fill
from plantview.web.schematic.labels import BOLD_SPACING, shortened, width
from plantview.web.schematic.svg import number

SVG: Final = "http://www.w3.org/2000/svg"
THEMES: Final = ("light", "dark")
HEAD: Final = 76.0
"""Height of the line above the drawing that says which plant, when and in which units."""
_SYSTEMS: Final = {"si": "SI units", "ip": "inch-pound units"}
_ON_PAGES: Final = ("#", ".levels", ".overview", ".value:", ".machine.opens", "body")
"""Beginnings of selectors that mean a page or a pointer, not a drawing."""
_END: Final = "/* headline */"
_OURS: Final = ("tabindex", "role", "data-colours", "data-fit", "data-x", "data-y", "data-width")
"""Attributes that only the page needs."""


def stand_alone(drawing: str, plant: Plant, moment: Moment, theme: str) -> str:
    """Return the drawing as a file of its own."""
    root = ET.fromstring(re.sub(r'\sxmlns="[^"]*"', "", drawing, count=1))  # noqa: S314 - our own text
    fill(root, moment)
    for part in root.iter():
        for name in _OURS:
            part.attrib.pop(name, None)
    left, top, wide, high = (float(each) for each in root.get("viewBox", "0 0 1 1").split())
    root.set("xmlns", SVG)
    root.set("viewBox", f"{number(left)} {number(top - HEAD)} {number(wide)} {number(high + HEAD)}")
    root.set("role", "img")
    if not moment.heard:
        root.set("class", f"{root.get('class', '')} stale-page")
    style = ET.Element("style")
    style.text = styles(theme, variables(plant, theme))
    ground = {"x": number(left), "y": number(top - HEAD), "width": number(wide), "height": number(high + HEAD)}
    root[1:1] = [style, ET.Element("rect", {"class": "ground", **ground}), *_head(plant, moment, left, top, wide)]
    return ET.tostring(root, encoding="unicode")


def _head(plant: Plant, moment: Moment, left: float, top: float, wide: float) -> list[ET.Element]:
    marks = ["SIMULATED"] if plant.simulated else []
    marks += [] if moment.heard else ["NO DATA FROM THE PLANT"]
    words = " · ".join([plant.name, *marks])
    told = f"as at {local_text(moment.at_ms, plant.zone)} · {_SYSTEMS[moment.system]}"
    room = wide - 40 - width(told, 24)
    if width(words, 30, bold=True, spacing=BOLD_SPACING) + 40 > room:
        # a narrow drawing has the two in two lines
        rows = (
            (left + 20, "start", "name", shortened(words, wide - 40, 30, bold=True), 30, 42),
            (left + 20, "start", "label", told, 24, 12),
        )
    else:
        rows = ((left + 20, "start", "name", words, 30, 22), (left + wide - 20, "end", "label", told, 24, 22))
    out = []
    for x, anchor, class_, text, size, up in rows:
        place = {"x": number(x), "y": number(top - up), "text-anchor": anchor, "class": class_, "font-size": str(size)}
        out.append(ET.Element("text", place))
        out[-1].text = text
    return out


def styles(theme: str, own: Mapping[str, str]) -> str:
    """Return the rules of a drawing with every colour written out: not every program knows variables."""
    known = _tokens(theme) | dict(own)
    rules = _rules() + ".ground { fill: var(--bg); }"
    return re.sub(r"var\(--([\w-]+)\)", lambda found: known[found.group(1)], rules)


@functools.cache
def _rules() -> str:
    sheet = _rules_of("schematic.css").partition(_END)[0]
    sheet = re.sub(r"/\*.*?\*/", "", sheet, flags=re.DOTALL)
    kept = []
    for selectors, body in re.findall(r"([^{}]+)\{([^{}]*)\}", sheet):
        wanted = [each.strip() for each in selectors.split(",") if not each.strip().startswith(_ON_PAGES)]
        if wanted:
            kept.append(f"{', '.join(wanted)} {{{body}}}")
    return "\n".join(kept) + "\n"


@functools.cache
def _tokens(theme: str) -> dict[str, str]:
    sheet = _rules_of("tokens.css")
    blocks = re.findall(r'(?::root|\[data-theme="dark"\]) \{(.*?)\}', sheet, re.DOTALL)
    light, dark = (dict(re.findall(r"--([\w-]+): ([^;]+);", block)) for block in blocks[:2])
    return light if theme == "light" else light | dark


def _rules_of(name: str) -> str:
    return (bundled("assets") / name).read_text(encoding="utf-8")
