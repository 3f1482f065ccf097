"""The list of machines, in one column or in several, and the room of its values, checked without a browser."""

from __future__ import annotations

import itertools
from xml.etree import ElementTree as ET

import pytest

from plantview.units import shown
from plantview.web.schematic import draw
from plantview.web.schematic.columns import compose_columns
from plantview.web.schematic.labels import width
from plantview.web.schematic.phone import compose_list
from tests.unit.schematic_plants import DRAWN, EXAMPLES, clash, plant, signals


@pytest.mark.parametrize("name", DRAWN)
def test_in_the_list_no_text_covers_another_and_none_leaves_the_sheet(name: str) -> None:
    listed = compose_list(plant(name), signals(name))
    covered = [(a.text, b.text) for a, b in itertools.combinations(listed.words, 2) if clash(a, b)]
    outside = [words.text for words in listed.words if words.box.x < 0 or words.box.right > listed.width]
    assert (covered, outside) == ([], [])


@pytest.mark.parametrize("name", ["larkfield", "six primary secondary", "twelve chillers"])
def test_the_list_in_columns_holds_everything_once_and_keeps_its_texts_apart(name: str) -> None:
    folded, listed = compose_columns(plant(name), signals(name)), compose_list(plant(name), signals(name))
    assert sorted(words.text for words in folded.words) == sorted(words.text for words in listed.words)
    assert [glyph.equipment for glyph in folded.glyphs] == [glyph.equipment for glyph in listed.glyphs]
    assert [(a.text, b.text) for a, b in itertools.combinations(folded.words, 2) if clash(a, b)] == []
    boxes = [words.box for words in folded.words]
    assert min(box.x for box in boxes) >= 0
    assert max(box.right for box in boxes) <= folded.width
    assert max(box.bottom for box in boxes) <= folded.height
    assert min(box.y for box in boxes) >= 0


@pytest.mark.parametrize("system", ["si", "ip"])
@pytest.mark.parametrize("name", EXAMPLES)
def test_the_room_of_every_value_holds_its_widest_number_in_either_system_of_units(name: str, system: str) -> None:
    """One layout serves both systems, so that nothing moves when a viewer changes the units."""
    sizes = _sizes_of_values(name)
    assert sizes
    for signal, (size, room, said) in sizes.items():
        quantity = signals(name)[signal].quantity
        unit, digits = shown(quantity, system)
        widest = {"temperature": 188.8, "flow": 8888.8, "percent": 100.0, "pressure_difference": 888.8}.get(quantity)
        if widest is not None:
            text = width(f"{widest:.{digits}f}", size, bold=True)
            small = max(21.0, size * 0.56)
            assert text + size * 0.2 + width(said or unit.label, small) <= room + size * 0.05, signal


def _sizes_of_values(name: str) -> dict[str, tuple[float, float, str]]:
    """Return size, width of the room, and words instead of the unit, of every value that is no valve's position."""
    root = ET.fromstring(draw(plant(name), signals(name)))  # noqa: S314 - our own text
    found = {}
    for part in root.iter():
        if part.get("data-signal") and part.get("data-form") != "valve":
            inner = {each.get("class", "").split()[0]: each for each in part if each.get("class")}
            size = float(inner["line"].get("font-size", "0"))
            found[part.get("data-signal", "")] = size, float(inner["hit"].get("width", "0")), part.get("data-unit", "")
    return found
