"""The plant as a list, sky on top: for narrow screens, and for arrangements that have no flow diagram.

780 units are 390 CSS pixels, so text shows at half its size here; sizes are set on their own.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import replace
from typing import Final

from plantview.model.plant import Bypass, Equipment, Loop, Plant
from plantview.model.services import WORDS, ends_of, service_of
from plantview.model.signal import Signal
from plantview.web.schematic import glyphs, phone_rows
from plantview.web.schematic.labels import shortened, width
from plantview.web.schematic.phone_rows import LABEL, LEFT, RIGHT, SMALL, TEXT_X, VALUE, WIDTH
from plantview.web.schematic.placing import position
from plantview.web.schematic.plates import flows_at, header_rows
from plantview.web.schematic.scene import Pipe, Scene
from plantview.web.schematic.sheet import Sheet

_ORDER: Final = (
    ("tower_cell", "condenser", "towers"),
    ("header", "condenser", ""),
    ("pump", "condenser", "condenser water pumps"),
    ("chiller", "", "chillers"),
    ("heat_exchanger", "", "heat exchangers"),
    ("header", "chilled", ""),
    ("pump", "chilled", "chilled water pumps"),
    ("coil", "", "buildings"),
    ("header", "hot", ""),
    ("pump", "hot", "hot water pumps"),
    ("tank", "", "tanks"),
)
"""(kind, water of its loop, heading), in the order in which heat leaves the building, seen from the sky."""


def compose_list(
    plant: Plant, signals: Mapping[str, Signal], why: str = "", loops: Mapping[str, Loop] | None = None
) -> Scene:
    """Return the plant as a list of machines in trade order with the mains between; ``why`` says why no diagram."""
    plant = plant if loops is None else replace(plant, loops=loops)
    sheet, scene = Sheet(signals, small=SMALL, unit=SMALL), Scene(WIDTH, 0.0)
    y = 16.0
    if why:
        y = _reason(scene, sheet, why, y)
    drawn: set[str] = set()
    for kind, water, heading in _ORDER:
        if kind == "header":
            for loop in (loop for loop in plant.loops.values() if loop.water == water):
                scene.breaks.append(scene.mark(y, sheet.words))
                y = _mains(plant, loop, sheet, scene, y)
            continue
        items = [item for item in _standing(plant, kind, water) if item.id not in drawn]
        drawn |= {item.id for item in items}
        if items:
            scene.breaks.append(scene.mark(y, sheet.words))
            y = _heading(scene, sheet, heading, y)
            y = _block(plant, items, sheet, scene, y)
    scene.words, scene.height = sheet.words, y + 70.0
    return scene


def _reason(scene: Scene, sheet: Sheet, why: str, y: float) -> float:
    for line in ("This arrangement has no flow diagram yet:", f"{why}."):
        scene.marks.append(sheet.text(LEFT, y + 30, shortened(line, RIGHT - LEFT, LABEL), LABEL, class_="left-out"))
        y += 40
    return y + 10


def _standing(plant: Plant, kind: str, water: str) -> Iterator[Equipment]:
    """Yield the machines of a kind in the loops of one water (of any, if empty), in ring order."""
    for loop in plant.loops.values():
        if water in ("", loop.water):
            for stage in loop.stages:
                for port in stage.ports():
                    if plant.equipment[port.equipment].kind == kind:
                        yield plant.equipment[port.equipment]


def _heading(scene: Scene, sheet: Sheet, text: str, y: float) -> float:
    scene.marks.append(sheet.text(LEFT, y + 30, text, LABEL, class_="heading"))
    return y + 46


def _block(plant: Plant, items: list[Equipment], sheet: Sheet, scene: Scene, y: float) -> float:
    seen: set[str] = set()
    building = ""
    for item in items:
        if item.id in seen:
            continue
        seen.add(item.id)
        if len(seen) > 1:
            scene.breaks.append(scene.mark(y, sheet.words))
        if item.building and item.building != building:
            building = item.building
            scene.marks.append(
                sheet.text(
                    TEXT_X,
                    y + 30,
                    shortened(building, RIGHT - TEXT_X, LABEL, bold=True),
                    LABEL,
                    class_="building-name",
                    bold=True,
                )
            )
            y += 42
        glyph, tall = phone_rows.row(plant, item, sheet, y)
        scene.glyphs.append(glyph)
        y += tall
    return y + 14


def _mains(plant: Plant, loop: Loop, sheet: Sheet, scene: Scene, y: float) -> float:
    """List the headers of a loop with what is measured there, and its bypasses."""
    rows_of = {header: header_rows(sheet, header) for header in loop.headers}
    measured = {service_of(loop, header) for header, rows in rows_of.items() if rows}
    named: set[str] = set()
    for header, rows in rows_of.items():
        service = service_of(loop, header)
        if not rows and service in measured | named:
            continue
        named.add(service)
        tall = max(44.0 + 46.0 * len(rows), 84.0)
        scene.pipes.append(_piece(loop, header, service, y, tall))
        scene.marks.append(sheet.text(TEXT_X, y + 30, WORDS[service], LABEL, class_="heading"))
        for number, row in enumerate(rows):
            for place, (signal, caption, _) in enumerate(row):
                x = TEXT_X + place * 290
                moved_by = flows_at(loop, header) if signal.endswith(".temp") else ""
                scene.marks.append(
                    sheet.value(
                        signal, x, y + 30 + 46 * (number + 1), VALUE, caption=caption, tight=True, branch=moved_by
                    )
                )
        y += tall + 16
    for stage in loop.stages_of("valve"):
        for index, branch in enumerate(stage.branches):
            y = _named(f"{loop.id}/{stage.id}/{index}", stage.id, None, sheet, scene, y)
            y = _valves(plant, tuple(port.equipment for port in branch), sheet, scene, y)
    for bypass in loop.bypasses:
        ends = ends_of(loop, bypass) if bypass.either_way else None
        y = _named(f"{loop.id}/{bypass.id}", bypass.id, ends, sheet, scene, y)
        y = _across(loop, bypass, sheet, scene, y)
        y = _valves(plant, bypass.via, sheet, scene, y)
    return y + 12


def _piece(loop: Loop, header: str, service: str, y: float, tall: float) -> Pipe:
    """Return a piece of a header with what flows into it: supply runs down from the sky, return climbs."""
    flow = tuple(
        (f"{loop.id}/{stage.id}/{index}", 1)
        for stage in loop.stages
        if stage.end == header
        for index in range(len(stage.branches))
    )
    top, bottom = (54.0, y + 4), (54.0, y + tall)
    return Pipe(
        "main", header, service, (top, bottom) if service.endswith("S") else (bottom, top), flow, WORDS[service]
    )


def _named(key: str, name: str, ends: tuple[str, str] | None, sheet: Sheet, scene: Scene, y: float) -> float:
    """Write the name of a bypass or of a valve that stands in a main, with its flow where it is known."""
    out = sheet.text(TEXT_X, y + 34, shortened(name.replace("-", " "), 250, LABEL), LABEL)
    if f"{name}.flow" in sheet.signals:
        out += sheet.text(TEXT_X + 260, y + 34, " ", LABEL, class_="basis", room=120, basis=key)
    scene.marks.append(out + sheet.value(f"{name}.flow", RIGHT, y + 34, VALUE, anchor="end", tight=True, ends=ends))
    return y + 48


def _across(loop: Loop, bypass: Bypass, sheet: Sheet, scene: Scene, y: float) -> float:
    """Draw a bypass between the names of the pipes that it joins: its arrow points to where its water goes."""
    service = service_of(loop, bypass.start)
    one, two = ends_of(loop, bypass)
    size, line, x = LABEL, y + 28, TEXT_X
    start = shortened(one, 200, size)
    scene.marks.append(sheet.text(x, line, start, size))
    x += width(start, size) + 16
    ends = ((x, line - 9), (x + 96, line - 9))
    key = f"{loop.id}/{bypass.id}"
    scene.pipes.append(Pipe("link", bypass.start, service, ends, ((key, 1),), f"{bypass.id}, {WORDS[service]}"))
    scene.marks.append(sheet.text(x + 112, line, shortened(two, 200, size), size))
    return y + 44


def _valves(plant: Plant, via: tuple[str, ...], sheet: Sheet, scene: Scene, y: float) -> float:
    """List valves with their positions in words, the same as on every page."""
    for valve in via:
        item = plant.equipment[valve]
        scene.glyphs.append(glyphs.valve(item, (54.0, y + 10)))
        scene.marks.append(sheet.text(TEXT_X, y + 22, shortened(item.label, 400, LABEL), LABEL))
        scene.marks.append(position(sheet, valve, (f"{valve}.position",), (RIGHT, y + 22), VALUE, "end", 300))
        y += 48
    return y
