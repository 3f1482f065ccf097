"""A small edit of the plant moves little of its drawing: the crew finds everything where it was yesterday."""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping
from dataclasses import replace
from statistics import median

import pytest

from plantview.model.plant import Plant, Port
from plantview.model.signal import Signal
from plantview.web.schematic.compose import compose
from plantview.web.schematic.overview import compose_overview
from plantview.web.schematic.scene import Scene
from tests.unit.schematic_plants import plant, signals

Drawn = tuple[Plant, Mapping[str, Signal]]
MOVED_SHARE_MAX = 0.02
"""Of the drawing's width: half a text's height on a wall screen is one per cent."""


def a_new_point(given: Plant, known: Mapping[str, Signal]) -> Drawn:
    header = given.loops["chw"].headers[-1]
    return given, {name: signal for name, signal in known.items() if name != f"{header}.pressure"}


def another_name(given: Plant, known: Mapping[str, Signal]) -> Drawn:
    item = given.equipment["CH-1"]
    return replace(given, equipment={**given.equipment, "CH-1": replace(item, label="Chiller 1")}), known


def a_standby_pump(given: Plant, known: Mapping[str, Signal]) -> Drawn:
    pump = replace(given.equipment["CWP-1"], id="CWP-9", label="CWP-9")
    loop = given.loops["cw"]
    stages = tuple(
        replace(stage, branches=(*stage.branches, (Port("CWP-9", stage.branches[0][0].side),)))
        if stage.kind == "pump"
        else stage
        for stage in loop.stages
    )
    loops = {**given.loops, "cw": replace(loop, stages=stages)}
    return replace(given, loops=loops, equipment={**given.equipment, "CWP-9": pump}), known


def a_valve_left_out(given: Plant, known: Mapping[str, Signal]) -> Drawn:
    loop = given.loops["chw"]
    stages = tuple(
        replace(stage, branches=(tuple(p for p in stage.branches[0] if p.equipment != "V-CH1"), *stage.branches[1:]))
        if stage.kind == "chiller"
        else stage
        for stage in loop.stages
    )
    return replace(given, loops={**given.loops, "chw": replace(loop, stages=stages)}), known


EDITS: Mapping[str, Callable[[Plant, Mapping[str, Signal]], Drawn]] = {
    "a new point": a_new_point,
    "another name": another_name,
    "a standby pump": a_standby_pump,
    "a valve left out": a_valve_left_out,
}


@pytest.mark.parametrize("draw", [compose, compose_overview], ids=["diagram", "overview"])
@pytest.mark.parametrize("edit", EDITS)
def test_a_small_edit_moves_nothing_by_more_than_two_hundredths_of_the_width(
    edit: str, draw: Callable[[Plant, Mapping[str, Signal]], Scene]
) -> None:
    given, known = plant("larkfield"), signals("larkfield")
    before, after = (_places(draw(*drawn)) for drawn in ((given, known), EDITS[edit](given, known)))
    both = before.keys() & after.keys()
    assert len(both) >= len(before) - 1
    new = {"CWP-1", "CWP-2", "CWP-3"} if edit == "a standby pump" else set()
    moved = {name: math.dist(before[name], after[name]) for name in both - new}
    assert max(moved.values()) <= MOVED_SHARE_MAX, sorted(moved.items(), key=lambda one: -one[1])[:3]
    assert median(moved.values()) <= MOVED_SHARE_MAX / 4


def _places(scene: Scene) -> dict[str, tuple[float, float]]:
    """Return the middles of all machines, as shares of the drawing's width, from the middle of the first tower."""
    glyphs = {glyph.equipment: glyph.box for glyph in scene.glyphs}
    origin = glyphs["CT-1"]
    return {
        name: ((box.cx - origin.cx) / scene.width, (box.cy - origin.cy) / scene.width) for name, box in glyphs.items()
    }
