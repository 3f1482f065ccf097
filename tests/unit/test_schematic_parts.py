"""Geometry, segments and text widths, each on its own."""

from __future__ import annotations

import itertools

import pytest

from plantview.web.schematic import labels
from plantview.web.schematic.geometry import Box, free, push_apart, spread
from plantview.web.schematic.segments import edges


def test_boxes_that_only_touch_do_not_overlap() -> None:
    assert not Box(0, 0, 10, 10).overlaps(Box(10, 0, 10, 10))
    assert Box(0, 0, 10, 10).overlaps(Box(10, 0, 10, 10), clear=1)
    assert Box(0, 0, 10, 10).overlaps(Box(9, 9, 10, 10))


def test_what_is_left_of_an_interval_keeps_its_order_and_its_ends() -> None:
    assert free((0, 100), [(40, 50), (10, 20), (15, 30)]) == [(0, 10), (30, 40), (50, 100)]
    assert free((0, 10), [(-5, 20)]) == []
    assert free((0, 10), [(20, 30)]) == [(0, 10)]


def test_lanes_share_the_height_evenly() -> None:
    assert spread(3, 300) == [50, 150, 250]


def test_plates_are_pushed_right_only_as_far_as_they_must() -> None:
    assert push_apart([(0, 100), (50, 100), (400, 10)], 10, 0) == [0, 110, 400]


def test_flow_in_each_piece_of_a_main_is_what_enters_on_one_side() -> None:
    """Two pumps feed a main at its top, three branches leave below: Kirchhoff's rule at every node."""
    nodes = [(0.0, float(y)) for y in range(5)]
    inflows = {
        nodes[0]: (("a", 1),),
        nodes[1]: (("b", 1),),
        nodes[2]: (("x", -1),),
        nodes[3]: (("y", -1),),
        nodes[4]: (("z", -1),),
    }
    found = edges(list(itertools.pairwise(nodes)), inflows)
    flows = {"a": 5.0, "b": 7.0, "x": 3.0, "y": 4.0, "z": 5.0}
    assert [sum(way * flows[key] for key, way in edge.flow) for edge in found] == [5.0, 12.0, 9.0, 5.0]


def test_a_side_with_meters_is_preferred_to_one_with_a_bypass() -> None:
    nodes = [(0.0, 0.0), (0.0, 1.0)]
    found = edges(
        [(nodes[0], nodes[1])], {nodes[0]: (("chw/decoupler", 1),), nodes[1]: (("chw/p/0", -1), ("chw/p/1", -1))}
    )
    assert found[0].flow == (("chw/p/0", 1), ("chw/p/1", 1))


def test_pieces_that_form_a_ring_are_refused() -> None:
    corners = [(0.0, 0.0), (1.0, 0.0), (1.0, 1.0)]
    with pytest.raises(ValueError, match="one tree"):
        edges([(corners[0], corners[1]), (corners[1], corners[2]), (corners[2], corners[0])], {})


@pytest.mark.parametrize("bold", [False, True])
def test_every_digit_takes_the_same_room(bold: bool) -> None:
    assert len({labels.width(digit, 100, bold) for digit in "0123456789"}) == 1


def test_widths_of_texts_grow_with_size_and_weight() -> None:
    assert labels.width("CHWS", 20) == pytest.approx(2 * labels.width("CHWS", 10))
    assert labels.width("CHWS", 20, bold=True) > labels.width("CHWS", 20)
    # Inter Regular, hmtx: C 727, H 743, W 949, S 638 thousandths of an em
    assert labels.width("CHWS", 1000) == pytest.approx(727 + 743 + 949 + 638, abs=3)


@pytest.mark.parametrize("room", [50.0, 90.0, 150.0])
def test_a_shortened_text_fits_and_keeps_its_end(room: float) -> None:
    short = labels.shortened("Chilled water pump 3", room, 20)
    assert labels.width(short, 20) <= room
    assert "…" in short
    assert short.endswith("3")


def test_a_text_that_fits_is_left_alone() -> None:
    assert labels.shortened("CHWP-1", 200, 20) == "CHWP-1"


def test_a_text_a_little_too_long_is_set_narrower_and_only_a_longer_one_is_shortened() -> None:
    full = labels.width("Chilled water pump 12", 34, bold=True, spacing=labels.BOLD_SPACING)
    assert labels.squeezed("Chilled water pump 12", full + 1, 34, bold=True) == ("Chilled water pump 12", 0.0)
    assert labels.squeezed("Chilled water pump 12", full * 0.8, 34, bold=True) == ("Chilled water pump 12", full * 0.8)
    short, squeeze = labels.squeezed("Chilled water pump 12", full * 0.7, 34, bold=True)
    assert (short.endswith("12"), "…" in short, squeeze) == (True, True, 0.0)


def test_a_name_is_broken_between_words_and_never_into_more_than_two_lines() -> None:
    assert labels.wrapped("Chiller 1", 300, 24) == ("Chiller 1",)
    first, second = labels.wrapped("Chilled water pump 12 in the east basement", 180, 24, bold=True)
    assert first == "Chilled water"
    assert second.endswith("t")
    assert "…" in second
