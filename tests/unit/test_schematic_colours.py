"""A site's own colours of pipes: what is refused and with which remedy, and where they come to stand."""

from __future__ import annotations

import re
from dataclasses import replace
from xml.etree import ElementTree as ET

import pytest

from plantview.config.problems import Problems
from plantview.config.service_colours import ALARMS, GROUNDS, LEAST, contrast, read_service_colours
from plantview.model.plant import Plant
from plantview.web.schematic import draw
from plantview.web.schematic.colours import variables
from plantview.web.schematic.sheet_alone import THEMES, styles
from tests.unit.schematic_plants import signals
from tests.unit.test_schematic_tokens import _tokens
from tests.unit.test_schematic_tokens import contrast as contrast_again


def read(**services: object) -> tuple[dict[str, tuple[str, str]], list[str]]:
    problems = Problems("plant.toml")
    found = read_service_colours({"services": services}, problems)
    return found, [str(each) for each in problems.found]


@pytest.mark.parametrize("theme", THEMES)
def test_the_grounds_and_alarm_colours_are_those_of_the_pages(theme: str) -> None:
    tokens = _tokens(theme)
    assert GROUNDS[theme] == tokens["bg"]
    assert list(ALARMS[theme].values()) == [tokens[name] for name in ("red", "orange", "yellow")]


@pytest.mark.parametrize("colour", ["#000000", "#3a6f98", "#b4bbbe", "#ffffff"])
def test_two_ways_to_work_out_a_contrast_agree(colour: str) -> None:
    for ground in GROUNDS.values():
        assert contrast(colour, ground) == pytest.approx(contrast_again(colour, ground))


def test_one_colour_gives_the_dark_theme_its_own_that_stands_out_as_text_would() -> None:
    found, problems = read(chilled="#205080")
    assert problems == []
    light, dark = found["chilled"]
    assert light == "#205080"
    assert contrast_again(dark, GROUNDS["dark"]) >= 4.5


def test_a_colour_too_faint_is_refused_with_one_that_is_not() -> None:
    found, problems = read(condenser="#8fb8a8")
    assert found == {}
    assert len(problems) == 1
    assert "too faint on the light theme's ground: contrast 1." in problems[0]
    remedy = re.findall("take (#[0-9a-f]{6}) there, the same colour made darker", problems[0])[0]
    assert contrast_again(remedy, GROUNDS["light"]) >= LEAST
    assert read(condenser=remedy)[1] == []
    assert "too faint on the dark theme's ground" in read(chilled=["#3a6f98", "#30485c"])[1][0]


@pytest.mark.parametrize(("colour", "priority"), [("#c01020", 1), ("#a03030", 1)])
def test_the_colour_of_an_alarm_is_refused_for_a_pipe(colour: str, priority: int) -> None:
    _, problems = read(hot=colour)
    assert len(problems) == 1
    assert f"looks like the colour of alarms of priority {priority}" in problems[0]


@pytest.mark.parametrize(
    ("services", "told"),
    [
        ({"chiled": "#3a6f98"}, "did you mean 'chilled'?"),
        ({"chilled": "blue"}, "'blue' is no colour"),
        ({"chilled": ["#3a6f98"] * 3}, "is no colour"),
        ({"chilled": 7}, "7 is no colour"),
    ],
)
def test_what_is_no_colour_is_named_with_its_place_and_an_example(services: dict[str, object], told: str) -> None:
    found, problems = read(**services)
    assert found == {}
    assert len(problems) == 1
    assert told in problems[0]
    assert "services.chil" in problems[0]


@pytest.mark.parametrize("theme", THEMES)
def test_a_sites_colours_come_to_stand_on_the_drawing_and_every_pipe_keeps_its_words(
    orchard: Plant, theme: str
) -> None:
    own = replace(orchard, colours={"chilled": ("#5a3f98", "#b0a0e8")})
    ours = variables(own, theme)
    assert ours["chilled"] in styles(theme, ours)
    assert contrast_again(ours["chilled"], ours["chilled-rest"]) >= 1.6
    usual = {name: _tokens(theme)[name] for name in ("condenser", "chilled")}
    assert usual["condenser"] in styles(theme, ours)
    assert f".pipe.chilled.live .wall {{ stroke: {usual['chilled']}; }}" not in styles(theme, ours)
    root = ET.fromstring(draw(own, signals("orchard")))  # noqa: S314 - our own text
    assert "chilled #5a3f98 #b0a0e8" in root.get("data-colours", "")
    texts = {part.text for part in root.iter("{http://www.w3.org/2000/svg}text")}
    assert {"chilled water supply (CHWS)", "condenser water return (CWR)"} <= texts


def test_the_usual_colours_need_no_line_in_a_plant_description(orchard: Plant) -> None:
    assert orchard.colours == {}
    assert "var(" not in styles("light", {})
