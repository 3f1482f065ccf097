"""The list of a plant folded into columns, for a wall that shows a plant of which there is no flow diagram.

Every machine keeps its shape, its state and its numbers; the mains with their arrows stand where their machines begin.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import replace
from itertools import pairwise
from typing import Final

from plantview.model.plant import Plant
from plantview.model.signal import Signal
from plantview.web.schematic.geometry import Box
from plantview.web.schematic.legible import smallest_px
from plantview.web.schematic.phone import compose_list
from plantview.web.schematic.phone_rows import SMALL, WIDTH
from plantview.web.schematic.scene import Break, Glyph, Scene
from plantview.web.schematic.svg import group, number

_GAP: Final = 40.0
_TOP: Final = 16.0
_COLUMNS_MAX: Final = 12


def compose_columns(plant: Plant, signals: Mapping[str, Signal], why: str = "") -> Scene:
    """Return the list in as many columns as make its texts largest; ``why`` says why there is no diagram."""
    listed = compose_list(plant, signals, why)
    return max((_folded(listed, count) for count in range(1, _COLUMNS_MAX + 1)), key=_text_px)


def _text_px(scene: Scene) -> float:
    return smallest_px(scene.width, scene.height, SMALL)


def _folded(listed: Scene, count: int) -> Scene:
    """Return the list in so many columns, as even as its breaks allow."""
    end = listed.mark(listed.height, listed.words)
    tall = _least_height([*listed.breaks, end], count)
    cuts = _cuts([*listed.breaks, end], tall)
    scene = Scene(len(cuts) * (WIDTH + _GAP) - _GAP, 0.0)
    for column, (start, stop) in enumerate(pairwise([Break(_TOP, 0, 0, 0, 0), *cuts])):
        _take(scene, listed, (start, stop), column * (WIDTH + _GAP))
        scene.height = max(scene.height, stop.y - start.y + 2 * _TOP)
    return scene


def _cuts(breaks: list[Break], tall: float) -> list[Break]:
    """Return where columns no taller than this end; a part that is taller has a column of its own."""
    cuts: list[Break] = []
    start = _TOP
    for here, after in pairwise([*breaks, breaks[-1]]):
        if after.y - start > tall and here.y > start:
            cuts.append(here)
            start = here.y
    return [*cuts, breaks[-1]] if not cuts or cuts[-1] is not breaks[-1] else cuts


def _least_height(breaks: list[Break], count: int) -> float:
    low, high = breaks[-1].y / count, breaks[-1].y
    for _ in range(math.ceil(math.log2(high))):
        middle = (low + high) / 2
        low, high = (low, middle) if len(_cuts(breaks, middle)) <= count else (middle, high)
    return high


def _take(scene: Scene, listed: Scene, part: tuple[Break, Break], x: float) -> None:
    start, stop = part
    down = _TOP - start.y
    moved = f"translate({number(x)} {number(down)})"
    marks = "".join(listed.marks[start.marks : stop.marks])
    scene.marks.append(group(marks, transform=moved))
    for glyph in listed.glyphs[start.glyphs : stop.glyphs]:
        scene.glyphs.append(
            Glyph(glyph.equipment, glyph.kind, _at(glyph.box, x, down), group(glyph.markup, transform=moved))
        )
    for pipe in listed.pipes[start.pipes : stop.pipes]:
        (x1, y1), (x2, y2) = pipe.ends
        scene.pipes.append(replace(pipe, ends=((x1 + x, y1 + down), (x2 + x, y2 + down))))
    scene.words += [replace(words, box=_at(words.box, x, down)) for words in listed.words[start.words : stop.words]]


def _at(box: Box, x: float, y: float) -> Box:
    return Box(box.x + x, box.y + y, box.w, box.h)
