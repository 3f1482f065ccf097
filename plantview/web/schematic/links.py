"""Valves and names of the links: bypasses, decouplers and valves that stand in a main."""

from __future__ import annotations

from itertools import pairwise

from plantview.model.services import ends_of
from plantview.web.schematic import glyphs, sizes
from plantview.web.schematic.labels import shortened
from plantview.web.schematic.placing import Placing
from plantview.web.schematic.plates import TIGHT
from plantview.web.schematic.svg import element, path
from plantview.web.schematic.topology import Link, Span


def links_of(placing: Placing, span: Span) -> list[str]:
    """Place the valves and names of bypasses and main valves."""
    out: list[str] = []
    for link in span.links:
        if link.key:
            out += _link(placing, span, link)
    out += _actuators(placing)
    return out


def _link(placing: Placing, span: Span, link: Link) -> list[str]:
    grid, sheet = placing.grid, placing.sheet
    y = grid.y_of(span, link)
    one, two = sorted(grid.link_ends(span, link))
    out: list[str] = []
    is_bypass = link.key.count("/") == 1
    tight = two - one < TIGHT
    name = link.id.replace("-", " ")
    if link.via:
        x = _valve_x(placing, span, link)
        placing.note(glyphs.valve(placing.plant.equipment[link.via[0]], (x, y)))
        out.append(
            placing.valve_label(
                link.via[0],
                one + 16 if tight else x + 28,
                y - 46 if tight else y + 31,
                anchor="start" if tight else "line",
            )
        )
        if is_bypass:
            at, above = (one + 16, 72) if tight else (x + 28, 20)
            out.append(sheet.text(at, y - above, shortened(name, two - at - 10, sizes.LABEL), sizes.LABEL))
    elif is_bypass:
        text = shortened(name, two - one - 32, sizes.LABEL)
        out.append(sheet.text(one + 18, y - 76, text, sizes.LABEL))
        out.append(sheet.value(f"{link.id}.flow", one + 18, y - 48, sizes.LABEL, tight=True, ends=_ends(span, link)))
        out.append(sheet.text(one + 18, y - 22, " ", sizes.SMALL, room=80, class_="basis", basis=link.key))
    return out


def _ends(span: Span, link: Link) -> tuple[str, str] | None:
    """Return what the pipes at both ends are called, where water may flow either way."""
    bypass = next((one for one in span.loop.bypasses if one.id == link.id and one.either_way), None)
    return ends_of(span.loop, bypass) if bypass is not None else None


def _valve_x(placing: Placing, span: Span, link: Link) -> float:
    """Return where a link's valve stands: valves on one actuator stand above each other."""
    together = [link]
    for actuator in placing.plant.actuators.values():
        if set(link.via) & set(actuator.valves):
            together = [other for other in span.links if set(other.via) & set(actuator.valves)]
    ends = [sorted(placing.grid.link_ends(span, other)) for other in together]
    low, high = max(end[0] for end in ends), min(end[1] for end in ends)
    if high - low < 2 * sizes.VALVE_W:
        low, high = sorted(placing.grid.link_ends(span, link))
    # left of the middle, so that the labels right of it find room
    return low + (46 if high - low > 200 else (high - low) / 2)


def _actuators(placing: Placing) -> list[str]:
    """Draw the linkage of valves that one actuator moves."""
    boxes = {glyph.equipment: glyph.box for glyph in placing.glyphs if glyph.kind == "valve"}
    out: list[str] = []
    for actuator in placing.plant.actuators.values():
        placed = sorted((boxes[valve] for valve in actuator.valves if valve in boxes), key=lambda box: (box.y, box.x))
        for upper, lower in pairwise(placed):
            if actuator.id in placing.joined:
                continue
            out.append(element("path", class_="linkage", d=path([(upper.cx, upper.bottom), (lower.cx, lower.y)])))
            out.append(
                placing.sheet.text(
                    upper.cx + 28,
                    (upper.cy + lower.cy) / 2 + 8,
                    "one actuator",
                    sizes.SMALL,
                )
            )
        if len(placed) > 1:
            placing.joined.add(actuator.id)
    return out
