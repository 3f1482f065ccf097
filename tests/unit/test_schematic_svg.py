"""The SVG text: what a strict Content-Security-Policy and the live script need."""

from __future__ import annotations

import functools
import json
import re
from dataclasses import replace
from xml.etree import ElementTree as ET

import pytest

from plantview.config.bundled import bundled
from plantview.model.plant import Plant
from plantview.web.schematic import draw
from tests.unit.schematic_plants import DRAWN, EXAMPLES, plant, signals

SVG = "{http://www.w3.org/2000/svg}"
SHAPES = ("wall", "phone")

every_drawing = pytest.mark.parametrize(
    ("name", "orientation"), [(name, orientation) for name in DRAWN for orientation in SHAPES]
)


@functools.cache
def text(name: str, orientation: str = "wall") -> str:
    return draw(plant(name), signals(name), orientation)


@functools.cache
def parsed(name: str, orientation: str = "wall") -> ET.Element:
    return ET.fromstring(text(name, orientation))  # noqa: S314 - our own text


def of_class(root: ET.Element, name: str) -> list[ET.Element]:
    return [node for node in root.iter() if name in node.get("class", "").split()]


@every_drawing
def test_the_drawing_has_no_style_script_or_foreign_reference(name: str, orientation: str) -> None:
    root = parsed(name, orientation)
    assert root.tag == f"{SVG}svg"
    for node in root.iter():
        assert node.tag.removeprefix(SVG) not in {"style", "script", "image", "foreignObject", "a"}
        assert not [key for key in node.attrib if key == "style" or key.startswith("on") or key.endswith("href")]
        for value in node.attrib.values():
            assert all(target.startswith("#") for target in re.findall(r"url\(([^)]*)\)", value))


@every_drawing
def test_the_same_plant_gives_the_same_text(name: str, orientation: str) -> None:
    assert draw(plant(name), signals(name), orientation) == text(name, orientation)


@every_drawing
def test_no_number_is_on_the_drawing_before_one_arrives(name: str, orientation: str) -> None:
    values = of_class(parsed(name, orientation), "value")
    assert len(values) > 5
    for value in values:
        assert "bad" in value.get("class", "").split()
        assert [node.text for node in of_class(value, "number")] == ["?"]


@every_drawing
def test_every_value_can_be_reached_by_keyboard_and_says_what_it_is(name: str, orientation: str) -> None:
    for value in of_class(parsed(name, orientation), "value"):
        assert (value.get("tabindex"), value.get("role")) == ("0", "button")
        assert value.get("aria-label")
        assert value.get("data-signal") in signals(name)


@every_drawing
def test_every_machine_starts_as_unknown(name: str, orientation: str) -> None:
    machines = of_class(parsed(name, orientation), "machine")
    assert machines
    assert {node.get("data-state") for node in machines} == {"unknown"}
    assert {node.get("data-equipment") for node in machines} <= set(plant(name).equipment)


@every_drawing
def test_every_pipe_names_branches_and_bypasses_that_exist(name: str, orientation: str) -> None:
    described = plant(name)
    known = {f"{loop.id}/{bypass.id}" for loop in described.loops.values() for bypass in loop.bypasses}
    for loop in described.loops.values():
        known |= {f"{loop.id}/{stage.id}/{index}" for stage in loop.stages for index in range(len(stage.branches))}
    for pipe in of_class(parsed(name, orientation), "pipe"):
        flow = json.loads(pipe.get("data-flow", ""))
        assert flow
        assert {key for key, _ in flow} <= known
        assert {way for _, way in flow} <= {1, -1}


@pytest.mark.parametrize("name", EXAMPLES)
@pytest.mark.parametrize("orientation", SHAPES)
def test_each_pipe_name_stands_on_the_drawing_in_words_with_its_abbreviation(name: str, orientation: str) -> None:
    texts = {node.text for node in parsed(name, orientation).iter(f"{SVG}text")}
    assert {
        "chilled water supply (CHWS)",
        "chilled water return (CHWR)",
        "condenser water supply (CWS)",
        "condenser water return (CWR)",
    } <= texts


@pytest.mark.parametrize("name", DRAWN)
def test_the_list_for_narrow_screens_holds_every_machine_of_the_drawing(name: str) -> None:
    wall = {node.get("data-equipment") for node in of_class(parsed(name), "machine")}
    listed = {node.get("data-equipment") for node in of_class(parsed(name, "phone"), "machine")}
    kinds = ("chiller", "tower_cell", "pump", "coil", "fan")
    expected = {item for item in wall if item is not None and plant(name).equipment[item].kind in kinds}
    assert expected <= listed


@pytest.mark.parametrize("name", DRAWN)
def test_on_a_phone_of_320_pixels_no_text_is_below_eleven(name: str) -> None:
    root = parsed(name, "phone")
    wide = float(root.get("viewBox", "").split()[2])
    sizes = [
        float(size) for node in root.iter() if (size := node.get("font-size")) and "sign" not in node.get("class", "")
    ]
    assert min(sizes) * 320 / wide >= 11.0


def test_a_name_with_markup_in_it_stays_text() -> None:
    name = "<b onclick='x'>&\"</b>"
    given = plant("orchard")
    chiller = replace(given.equipment["CH-1"], label=name)
    odd = replace(given, name=name, equipment={**given.equipment, "CH-1": chiller})
    root = ET.fromstring(draw(odd, signals("orchard")))  # noqa: S314 - our own text
    assert root.get("aria-label") == f"{name}: flow diagram"
    assert not list(root.iter(f"{SVG}b"))


def test_a_long_name_takes_two_lines_is_then_shortened_and_the_whole_name_kept_for_who_asks() -> None:
    label = "Condenser water pump number one in the lower east basement"
    given = plant("orchard")
    pump = replace(given.equipment["CWP-1"], label=label)
    root = _drawn(replace(given, equipment={**given.equipment, "CWP-1": pump}))
    machine = next(node for node in of_class(root, "machine") if node.get("data-equipment") == "CWP-1")
    assert machine.findtext(f"{SVG}title") == label
    first, second = [node.text or "" for node in of_class(machine, "name")]
    assert label.startswith(first)
    assert "…" in second
    assert label.endswith(second.partition("…")[2])


@pytest.mark.parametrize(
    ("equipment", "label"),
    [
        ("CWP-1", "Condenser water pump 1"),
        ("CHWP-1", "Chilled water pump 12"),
        ("CT-1", "Cooling tower 12"),
        ("CH-1", "Chiller 1, old plant room"),
        ("AHU-1", "North hall air handler"),
    ],
)
def test_a_name_of_usual_length_is_written_whole(equipment: str, label: str) -> None:
    given = plant("orchard")
    item = replace(given.equipment[equipment], label=label)
    root = _drawn(replace(given, equipment={**given.equipment, equipment: item}))
    machine = next(node for node in of_class(root, "machine") if node.get("data-equipment") == equipment)
    assert " ".join(node.text or "" for node in of_class(machine, "name")) == label


def _drawn(described: Plant) -> ET.Element:
    return ET.fromstring(draw(described, signals("orchard")))  # noqa: S314 - our own text


def test_an_arrangement_without_a_diagram_is_listed_with_the_reason() -> None:
    given = plant("one air cooled")
    loop = given.loops["chilled-0"]
    coils = loop.stages_of("coil")
    without = replace(given, loops={loop.id: replace(loop, stages=tuple(s for s in loop.stages if s not in coils))})
    root = ET.fromstring(draw(without, signals("one air cooled")))  # noqa: S314 - our own text
    assert any("no flow diagram" in (node.text or "") for node in root.iter(f"{SVG}text"))


def test_a_value_that_nobody_measures_is_not_drawn() -> None:
    fewer = {key: signal for key, signal in signals("orchard").items() if key != "CH-1.cw_flow"}
    drawn = {node.get("data-signal") for node in of_class(ET.fromstring(draw(plant("orchard"), fewer)), "value")}  # noqa: S314
    assert "CH-1.chw_flow" in drawn
    assert "CH-1.cw_flow" not in drawn


def test_every_class_that_the_drawing_relies_on_has_a_rule() -> None:
    sheet = (bundled("assets") / "schematic.css").read_text(encoding="utf-8")
    used = {name for node in parsed("larkfield").iter() for name in node.get("class", "").split()}
    shapes = {
        "mass",
        "half",
        "blocked",
        "nose",
        "bow",
        "vessel",
        "tube",
        "shell",
        "serpentine",
        "wall",
        "bore",
        "arrow",
        "hit",
        "void",
        "number",
        "unit",
        "leader",
        "linkage",
        "building",
        "blades",
        "basin-line",
        "key-arrow",
    }
    assert shapes <= used
    assert [name for name in sorted(shapes) if f".{name}" not in sheet] == []


@pytest.mark.parametrize("name", EXAMPLES)
def test_every_water_temperature_knows_the_flows_without_which_it_is_of_standing_water(name: str) -> None:
    described = plant(name)
    measured = {"chws_temp", "chwr_temp", "cws_temp", "cwr_temp", "temp"}
    for value in of_class(parsed(name), "value"):
        equipment, _, what = value.get("data-signal", "").partition(".")
        if what in measured and (
            equipment not in described.equipment or described.equipment[equipment].kind == "chiller"
        ):
            keys = value.get("data-branch", "").split()
            assert keys
            assert all(key.split("/")[0] in described.loops for key in keys)
