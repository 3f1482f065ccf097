"""What fits a screen: the flow diagram where its texts can be read, else the overview with a tile for every machine."""

from __future__ import annotations

import functools
import re
from xml.etree import ElementTree as ET

import pytest

from plantview.web.schematic import draw
from plantview.web.schematic.compose import compose
from plantview.web.schematic.legible import FIELD, LAPTOP, least_px, smallest_px
from plantview.web.schematic.overview import compose_overview
from plantview.web.schematic.sizes import SMALL
from tests.unit.schematic_plants import DRAWN, plant, signals

LAPTOP_SCALE_MAX = 0.48
"""``READING_SCALE`` of assets/live_drawing.js."""


@functools.cache
def root(name: str, orientation: str = "screen", distance_m: float = 3.0) -> ET.Element:
    return ET.fromstring(draw(plant(name), signals(name), orientation, least_px(distance_m)))  # noqa: S314 - our own


def size(drawn: ET.Element) -> tuple[float, float]:
    _, _, wide, high = map(float, drawn.get("viewBox", "").split())
    return wide, high


def is_overview(drawn: ET.Element) -> bool:
    return any("tile" in node.get("class", "").split() for node in drawn.iter())


def test_the_height_of_letters_follows_the_published_rule() -> None:
    """NUREG-0700, rev. 2: height = 6.283 D MA / 21600, so 29.1 mm for 20 minutes of arc at 5 m.

    A 55-inch screen of 1920 by 1080 has pixels of 0.634 mm; capitals of Inter are 0.727 of the font size.
    """
    at_twenty_minutes = least_px(5.0) * 20 / 6
    assert at_twenty_minutes * 0.727 * 0.634 == pytest.approx(29.1, rel=0.01)
    assert least_px(6.0) == pytest.approx(2 * least_px(3.0), rel=1e-6)
    assert least_px(3.0, 110) == pytest.approx(least_px(3.0, 55) / 2, rel=1e-6)


@pytest.mark.parametrize("name", DRAWN)
def test_on_a_wall_every_text_of_every_arrangement_is_read_from_three_metres(name: str) -> None:
    assert smallest_px(*size(root(name))) >= least_px(3.0)


@pytest.mark.parametrize("name", DRAWN)
def test_in_the_window_of_a_laptop_no_text_is_below_ten_pixels(name: str) -> None:
    """Across the whole window, or at the scale from which the page scrolls; at most a window and a half is scrolled."""
    wide, high = size(root(name, "wall"))
    scale = min(LAPTOP_SCALE_MAX, LAPTOP[0] / wide)
    assert SMALL * scale >= 10.0
    assert high * scale <= LAPTOP[1]


def test_twelve_chillers_are_an_overview_on_the_wall_and_in_a_window_and_every_machine_is_on_it() -> None:
    name = "twelve chillers"
    diagram, overview = compose(plant(name), signals(name)), compose_overview(plant(name), signals(name))
    assert smallest_px(diagram.width, diagram.height) < least_px(3.0)
    assert smallest_px(overview.width, overview.height) > 2 * smallest_px(diagram.width, diagram.height)
    for orientation in ("screen", "wall"):
        drawn = root(name, orientation)
        assert is_overview(drawn)
        named = [node.get("data-equipment") for node in drawn.iter() if node.get("data-equipment")]
        kinds = {item.id for item in plant(name).equipment.values() if item.kind not in ("weather", "basin", "meter")}
        assert kinds <= set(named)
        assert len(named) == len(set(named))


@pytest.mark.parametrize("name", ["orchard", "larkfield", "millrace"])
def test_a_usual_plant_is_its_flow_diagram_up_to_three_metres_and_from_further_away_what_is_read_better(
    name: str,
) -> None:
    assert not is_overview(root(name))
    far = root(name, "screen", 8.0)
    both = compose(plant(name), signals(name)), compose_overview(plant(name), signals(name))
    assert smallest_px(*size(far)) == pytest.approx(max(smallest_px(one.width, one.height) for one in both), abs=0.05)


def test_the_overview_has_as_few_values_as_a_wall_holds_for_each_row_of_machines() -> None:
    """Level 1 leaves out what levels 2 and 3 show: one number for each machine at most, two for each main."""
    drawn = root("twelve chillers")
    signs = [node.get("data-signal", "") for node in drawn.iter() if node.get("data-signal")]
    by_machine: dict[str, int] = {}
    for signal in signs:
        by_machine[signal.partition(".")[0]] = by_machine.get(signal.partition(".")[0], 0) + 1
    assert max(by_machine.values()) == 2
    assert len(signs) < len(signals("twelve chillers")) / 3


def test_abbreviations_of_the_overview_are_explained_in_words_at_its_foot() -> None:
    drawn = root("twelve chillers")
    texts = [node.text or "" for node in drawn.iter() if node.tag.endswith("text")]
    used = {text for text in texts if re.fullmatch("CHW[SR]|CW[SR]", text)}
    assert used == {"CHWS", "CHWR", "CWS", "CWR"}
    assert all(any(text.endswith(f"({short})") for text in texts) for short in used)
    assert any(text.startswith("out: ") for text in texts)


def test_the_field_of_a_wall_leaves_room_for_the_numbers_above_and_the_alarms_below() -> None:
    assert FIELD[1] / FIELD[0] < 9 / 16 * 0.8
