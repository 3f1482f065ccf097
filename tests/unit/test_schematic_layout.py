"""The flow diagram of many arrangements, checked without a browser."""

from __future__ import annotations

import functools
import itertools
from collections import defaultdict
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from plantview.config import read_plant
from plantview.model.measurements import WET_KINDS
from plantview.model.plant import Loop, Plant
from plantview.web.schematic.alone import compose_machine
from plantview.web.schematic.compose import compose
from plantview.web.schematic.geometry import Box, Point
from plantview.web.schematic.overview import compose_overview
from plantview.web.schematic.render import cuts, is_hollow
from plantview.web.schematic.scene import PIPE, Pipe, Scene
from plantview.web.schematic.sizes import SMALL
from plantview.web.schematic.topology import NotDrawn
from tests.shapes import primary_only
from tests.unit.schematic_plants import DRAWN, EXAMPLES, clash, plant, signals

KINDS = {"diagram": compose, "overview": compose_overview}
every_drawing = pytest.mark.parametrize(("name", "kind"), list(itertools.product(DRAWN, KINDS)))
every_diagram = pytest.mark.parametrize("name", DRAWN)
both_examples = pytest.mark.parametrize("name", EXAMPLES)


@functools.cache
def scene(name: str, kind: str = "diagram") -> Scene:
    return KINDS[kind](plant(name), signals(name))


@every_drawing
def test_no_machine_stands_on_another(name: str, kind: str) -> None:
    glyphs = scene(name, kind).glyphs
    assert len(glyphs) >= 3
    touching = [(a.equipment, b.equipment) for a, b in itertools.combinations(glyphs, 2) if a.box.overlaps(b.box)]
    assert touching == []


@every_drawing
def test_every_machine_in_the_water_is_drawn_once(name: str, kind: str) -> None:
    drawn = [glyph.equipment for glyph in scene(name, kind).glyphs]
    hot = {
        port.equipment
        for loop in plant(name).loops.values()
        if loop.water == "hot"
        for stage in loop.stages
        for port in stage.ports()
    }
    kinds = WET_KINDS if kind == "diagram" else set(WET_KINDS) - {"valve"}
    wet = {item.id for item in plant(name).equipment.values() if item.kind in kinds}
    assert len(drawn) == len(set(drawn))
    assert wet - set(drawn) <= hot - set(drawn)


@every_drawing
def test_no_text_covers_another_even_at_its_widest(name: str, kind: str) -> None:
    words = scene(name, kind).words
    covered = [(a.text, b.text) for a, b in itertools.combinations(words, 2) if clash(a, b)]
    assert covered == []


@every_drawing
def test_no_text_lies_on_a_pipe(name: str, kind: str) -> None:
    drawing = scene(name, kind)
    beside = [words for words in drawing.words if not words.on]
    covered = [
        (words.text, pipe.header)
        for words in beside
        for pipe in drawing.pipes
        if words.box.overlaps(pipe.box, clear=-1.0)
    ]
    assert covered == []


@every_drawing
def test_no_text_lies_on_a_machine_that_it_does_not_belong_to(name: str, kind: str) -> None:
    drawing = scene(name, kind)
    covered = [
        (words.text, glyph.equipment)
        for words in drawing.words
        for glyph in drawing.glyphs
        if words.on != glyph.equipment and words.box.overlaps(glyph.box, clear=-2.0)
    ]
    assert covered == []


@every_drawing
def test_everything_stays_on_the_sheet(name: str, kind: str) -> None:
    drawing = scene(name, kind)
    sheet = Box(0, 0, drawing.width, drawing.height)
    boxes = (
        [words.box for words in drawing.words]
        + [glyph.box for glyph in drawing.glyphs]
        + [p.box for p in drawing.pipes]
    )
    outside = [box for box in boxes if not (sheet.contains((box.x, box.y)) and sheet.contains((box.right, box.bottom)))]
    assert outside == []


@every_drawing
def test_each_branch_ends_on_a_machine_and_on_a_main(name: str, kind: str) -> None:
    drawing = scene(name, kind)
    mains = [pipe for pipe in drawing.pipes if pipe.kind == "main"]
    for stub in (pipe for pipe in drawing.pipes if pipe.kind == "stub"):
        ends = [
            ("machine" if any(glyph.box.contains(end) for glyph in drawing.glyphs) else "")
            or ("main" if any(_on(main, end) and main.header == stub.header for main in mains) else "nothing")
            for end in stub.ends
        ]
        assert sorted(ends) in (["machine", "main"], ["machine", "nothing"]), (stub, ends)
        if "nothing" in ends:
            # the one branch of a header with no main of its own meets the next pipe directly
            end = stub.ends[ends.index("nothing")]
            assert any(
                end in other.ends for other in drawing.pipes if other is not stub and other.header == stub.header
            )


def _on(main: Pipe, point: Point) -> bool:
    return main.box.contains(point)


@every_drawing
def test_no_pipe_lies_on_a_pipe_of_another_header(name: str, kind: str) -> None:
    drawing = scene(name, kind)
    machines = [glyph.box for glyph in drawing.glyphs]
    over = [
        (a.header, b.header)
        for a, b in itertools.combinations(drawing.pipes, 2)
        if a.header != b.header
        and a.upright == b.upright
        and a.box.overlaps(b.box, clear=-1.0)
        # what enters a pump and what leaves it meet in its middle
        and not any(box.contains(end) for box in machines for end in a.ends if end in b.ends)
    ]
    assert over == []


@every_drawing
def test_where_pipes_cross_the_main_is_never_cut(name: str, kind: str) -> None:
    drawing = scene(name, kind)
    for pipe in drawing.pipes:
        if pipe.upright != drawing.turned:
            assert cuts(pipe, drawing) == []
    crossings = [
        (a, b)
        for a in drawing.pipes
        for b in drawing.pipes
        if a.upright != drawing.turned
        and b.upright == drawing.turned
        and a.header != b.header
        and b.span[0] + PIPE < a.across < b.span[1] - PIPE
        and a.span[0] < b.across < a.span[1]
    ]
    for main, stub in crossings:
        assert any(low < main.across < high for low, high in cuts(stub, drawing))


@every_drawing
def test_flows_at_every_node_of_every_main_sum_to_zero(name: str, kind: str) -> None:
    drawing = scene(name, kind)
    flows = _balanced_flows(plant(name))
    node: dict[tuple[str, Point], float] = defaultdict(float)
    for pipe in drawing.pipes:
        net = sum(way * flows[key] for key, way in pipe.flow)
        start, end = pipe.ends
        if pipe.kind in ("main", "run"):
            node[pipe.header, start] -= net
            node[pipe.header, end] += net
    for pipe in drawing.pipes:
        if pipe.kind == "stub":
            net = flows[pipe.flow[0][0]]
            for end, sign in zip(pipe.ends, (-1, 1), strict=True):
                if (pipe.header, end) in node:
                    node[pipe.header, end] += sign * net
    for loop in plant(name).loops.values():
        for pipe, header, end, sign in _links(drawing, loop):
            if (header, end) in node:
                node[header, end] += sign * flows[pipe.flow[0][0]]
    assert node
    assert {key: round(net, 6) for key, net in node.items() if abs(net) > 1e-6} == {}


def _links(drawing: Scene, loop: Loop) -> list[tuple[Pipe, str, Point, int]]:
    ways = {f"{loop.id}/{bypass.id}": (bypass.start, bypass.end) for bypass in loop.bypasses}
    ways |= {f"{loop.id}/{stage.id}/0": (stage.start, stage.end) for stage in loop.stages}
    found = []
    for pipe in drawing.pipes:
        if pipe.kind == "link" and pipe.flow[0][0] in ways:
            start, end = ways[pipe.flow[0][0]]
            found += [(pipe, start, pipe.ends[0], -1), (pipe, end, pipe.ends[1], 1)]
    return found


def _balanced_flows(described: Plant) -> dict[str, float]:
    """Return made-up flows that balance at every header: random ones, less what does not balance."""
    rng = np.random.default_rng(7)
    flows: dict[str, float] = {}
    for loop in described.loops.values():
        ways = {
            f"{loop.id}/{stage.id}/{index}": (stage.start, stage.end)
            for stage in loop.stages
            for index in range(len(stage.branches))
        }
        ways |= {f"{loop.id}/{bypass.id}": (bypass.start, bypass.end) for bypass in loop.bypasses}
        leaving = np.zeros((len(loop.headers), len(ways)))
        for column, (start, end) in enumerate(ways.values()):
            leaving[loop.headers.index(start), column] += 1
            leaving[loop.headers.index(end), column] -= 1
        made_up = rng.uniform(50.0, 150.0, len(ways))
        balanced = made_up - np.linalg.pinv(leaving) @ leaving @ made_up
        flows |= dict(zip(ways, balanced.tolist(), strict=True))
    return flows


@both_examples
def test_the_four_pipes_have_their_right_names(name: str) -> None:
    """The chiller supplies chilled water, the tower supplies condenser water (common practice, no source)."""
    drawing, described = scene(name), plant(name)
    boxes = {glyph.equipment: glyph.box for glyph in drawing.glyphs}
    chiller, coil = boxes["CH-1"], boxes[described.of_kind("coil")[0].id]
    tower = boxes["CT-1"]

    def touching(box: Box, leaving: bool) -> set[str]:
        return {p.label for p in drawing.pipes if p.kind == "stub" and box.contains(p.ends[0 if leaving else 1])}

    assert touching(chiller, leaving=True) == {"chilled water supply (CHWS)", "condenser water return (CWR)"}
    assert touching(chiller, leaving=False) == {"chilled water return (CHWR)", "condenser water supply (CWS)"}
    assert touching(tower, leaving=True) == {"condenser water supply (CWS)"}
    assert touching(tower, leaving=False) == {"condenser water return (CWR)"}
    assert touching(coil, leaving=True) == {"chilled water return (CHWR)"}
    assert touching(coil, leaving=False) == {"chilled water supply (CHWS)"}


@every_drawing
def test_cold_pipes_are_filled_and_warm_ones_hollow(name: str, kind: str) -> None:
    hollow = {pipe.service: is_hollow(pipe) for pipe in scene(name, kind).pipes}
    assert {service: hollow[service] for service in sorted(hollow)} == {
        service: expected
        for service, expected in {
            "CHWR": True,
            "CHWS": False,
            "CWR": True,
            "CWS": False,
            "HWR": False,
            "HWS": True,
        }.items()
        if service in hollow
    }


@every_diagram
def test_water_enters_a_coil_below_and_leaves_above(name: str) -> None:
    """So that air is pushed out (common practice, no source)."""
    drawing = scene(name)
    coils = [glyph.box for glyph in drawing.glyphs if glyph.kind == "coil"]
    assert coils
    stubs = [pipe for pipe in drawing.pipes if pipe.kind == "stub"]
    for box in coils:
        entering = [pipe.ends[1][1] for pipe in stubs if box.contains(pipe.ends[1])]
        leaving = [pipe.ends[0][1] for pipe in stubs if box.contains(pipe.ends[0])]
        assert len(entering) == len(leaving) == 1
        assert entering[0] > box.cy > leaving[0]


@both_examples
def test_the_two_valves_on_one_actuator_stand_over_each_other_and_are_joined(name: str) -> None:
    drawing = scene(name)
    upper, lower = sorted((g.box for g in drawing.glyphs if g.equipment in ("V-TWR", "V-TB")), key=lambda box: box.y)
    assert upper.cx == lower.cx
    assert upper.bottom < lower.y
    assert any("one actuator" in words.text for words in drawing.words)
    assert sum('class="linkage"' in mark for mark in drawing.marks) == 1


@every_drawing
def test_no_text_is_smaller_than_the_floor(name: str, kind: str) -> None:
    heights = [words.box.h for words in scene(name, kind).words]
    assert min(heights) >= SMALL * 1.03


def test_a_loop_that_is_not_drawn_is_named_on_the_sheet() -> None:
    given = plant("two dedicated")
    loop = given.loop_of("condenser")
    assert loop is not None
    two = replace(given, loops={**given.loops, "second": replace(loop, id="second")})
    assert compose(two, signals("two dedicated")).left_out == ["loop second (condenser water)"]


def test_an_arrangement_without_a_flow_diagram_says_which() -> None:
    given = plant("one air cooled")
    loop = given.loops["chilled-0"]
    coils = loop.stages_of("coil")
    without = replace(given, loops={loop.id: replace(loop, stages=tuple(s for s in loop.stages if s not in coils))})
    with pytest.raises(NotDrawn, match="loop chilled-0 has no stage of kind coil"):
        compose(without, signals("one air cooled"))


@every_drawing
def test_no_pipe_runs_through_a_machine(name: str, kind: str) -> None:
    """Pipes end at an outline, except in pumps and the like, in whose middle they meet."""
    drawing = scene(name, kind)
    through = [
        (glyph.equipment, pipe.header)
        for glyph in drawing.glyphs
        for pipe in drawing.pipes
        if glyph.kind != "valve"
        and glyph.box.grown(-15).overlaps(pipe.box)
        and not (any(glyph.box.contains(end) for end in pipe.ends) or _passes_in_line(glyph.box, pipe))
    ]
    assert through == []


def _passes_in_line(box: Box, pipe: Pipe) -> bool:
    """Return whether a pump stands in this pipe: the pipe goes through its middle."""
    return pipe.kind == "stub" and abs(pipe.across - (box.cx if pipe.upright else box.cy)) < 1


@every_drawing
def test_there_are_no_more_crossings_than_the_arrangement_needs(name: str, kind: str) -> None:
    """With both mains of a loop between two rows of machines, one of the two pipes of each machine crosses one main.

    The last machine of a row needs none, because a main may end there.
    """
    drawing = scene(name, kind)
    crossings = sum(
        low < main.across < high and main.span[0] < pipe.across < main.span[1] and main.header != pipe.header
        for main in drawing.pipes
        if main.upright != drawing.turned
        for pipe in drawing.pipes
        if pipe.upright == drawing.turned
        for low, high in [(pipe.span[0] + PIPE / 2, pipe.span[1] - PIPE / 2)]
    )
    sides = {"chiller": 2, "tower_cell": 1, "coil": 1, "heat_exchanger": 2}
    usual = sum(sides.get(glyph.kind, 0) for glyph in drawing.glyphs)
    assert crossings <= usual, crossings


@pytest.mark.parametrize("name", ["larkfield", "orchard", "millrace"])
def test_a_new_name_moves_nothing(name: str) -> None:
    given = plant(name)
    coil = given.of_kind("coil")[0]
    renamed = replace(given, equipment={**given.equipment, coil.id: replace(coil, label="Kitchen")})
    after = compose(renamed, signals(name))
    assert {glyph.equipment: glyph.box for glyph in after.glyphs} == {g.equipment: g.box for g in scene(name).glyphs}
    assert [pipe.ends for pipe in after.pipes] == [pipe.ends for pipe in scene(name).pipes]


@pytest.mark.parametrize(("chillers", "cells"), [(2, 2), (3, 3), (4, 4)])
def test_one_more_coil_moves_only_the_coils(chillers: int, cells: int, tmp_path: Path) -> None:
    boxes = []
    for coils in (1, 2):
        folder = tmp_path / str(coils)
        folder.mkdir()
        (folder / "plant.toml").write_text(primary_only(chillers, cells, coils=coils).text(), encoding="utf-8")
        (folder / "points.csv").write_text("equipment,measurement,device,address\n", encoding="utf-8")
        found, problems = read_plant(folder)
        assert found is not None, problems
        boxes.append({glyph.equipment: glyph.box for glyph in compose(found, {}).glyphs if glyph.kind != "coil"})
    assert boxes[0] == boxes[1]


@every_diagram
def test_each_loop_alone_keeps_its_texts_apart(name: str) -> None:
    for loop in plant(name).loops:
        alone = compose(plant(name), signals(name), loop)
        assert [(a.text, b.text) for a, b in itertools.combinations(alone.words, 2) if clash(a, b)] == []
        assert {pipe.flow[0][0].split("/")[0] for pipe in alone.pipes} == {loop}


@pytest.mark.parametrize("name", EXAMPLES)
def test_each_machine_alone_shows_every_value_of_it(name: str) -> None:
    described = plant(name)
    for item in described.equipment.values():
        alone = compose_machine(described, item, signals(name))
        told = {words.text for words in alone.words}
        own = {f"{{{key}}}" for key, signal in signals(name).items() if signal.equipment == item.id}
        assert own <= told
        assert [(a.text, b.text) for a, b in itertools.combinations(alone.words, 2) if clash(a, b)] == []
