"""The decode table. Oracle: Python's ``struct`` on octets put in order by hand.

123456.0 as IEEE 754 single precision is 47 F1 20 00, and 1.0 is 3F 80 00 00 (IEEE 754-2019; worked by struct).
"""

from __future__ import annotations

import struct

import pytest

from plantview.surveying.decode_table import ORDERS, Decoding, decodings, likely, lines, plausible

ON_THE_WIRE = {
    "ABCD": (0x47F1, 0x2000),
    "CDAB": (0x2000, 0x47F1),
    "BADC": (0xF147, 0x0020),
    "DCBA": (0x0020, 0xF147),
}


def by(found: list[Decoding], kind: str, order: str) -> Decoding:
    (one,) = [one for one in found if (one.kind, one.order) == (kind, order)]
    return one


@pytest.mark.parametrize("order", ORDERS)
def test_a_float_in_each_of_the_four_orders_is_found_and_marked(order: str) -> None:
    high, low = ON_THE_WIRE[order]
    found = decodings({10: high, 11: low}, 10, "holding")
    assert by(found, "float32", order).value == 123456.0
    assert by(found, "float32", order).mark


@pytest.mark.parametrize("value", [44.1, -40.5, 0.612, 1_234_567.0])
@pytest.mark.parametrize("order", ORDERS)
def test_each_decoding_is_what_struct_makes_of_the_octets(order: str, value: float) -> None:
    octets = struct.pack(">d", value)
    words = {at: int.from_bytes(octets[2 * at : 2 * at + 2], "big") for at in range(4)}
    found = decodings(words, 0, "input")
    positions = {
        "ABCD": (0, 1, 2, 3, 4, 5, 6, 7),
        "CDAB": (6, 7, 4, 5, 2, 3, 0, 1),
        "BADC": (1, 0, 3, 2, 5, 4, 7, 6),
        "DCBA": (7, 6, 5, 4, 3, 2, 1, 0),
    }
    arranged = bytes(octets[at] for at in positions[order])
    for kind, layout in {"uint64": ">Q", "int64": ">q"}.items():
        assert by(found, kind, order).value == float(struct.unpack(layout, arranged)[0])
    double = struct.unpack(">d", arranged)[0]
    assert by(found, "float64", order).value == (double if double - double == 0 else None)


def test_a_number_on_the_display_marks_the_decodings_that_agree_and_no_other() -> None:
    found = decodings({100: 441, 101: 0}, 100, "holding", expected=44.1)
    marked = {(one.kind, one.order) for one in found if one.mark}
    assert ("uint16", "ABCD") in marked
    assert all("scale 0.1" in one.mark for one in found if one.mark)
    assert ("float32", "ABCD") not in marked


@pytest.mark.parametrize("group", [(0, 0), (0xFFFF, 0xFFFF)])
def test_empty_and_all_ones_registers_are_never_plausible(group: tuple[int, int]) -> None:
    found = decodings(dict(enumerate(group)), 0, "holding")
    assert [one for one in found if one.mark] == []


def test_a_counter_with_its_low_word_first_is_plausible_in_that_order_only() -> None:
    found = decodings({0: 18_230, 1: 0}, 0, "holding")
    assert by(found, "uint32", "CDAB").value == 18_230.0
    assert by(found, "uint32", "CDAB").mark
    assert not by(found, "uint32", "ABCD").mark


def test_a_float_of_noise_is_not_plausible() -> None:
    assert not plausible("float32", (0x01B9, 0x01F2), 6.8e-38)


def test_registers_that_were_not_read_are_not_decoded() -> None:
    assert {one.kind for one in decodings({5: 1}, 5, "holding")} == {"uint16", "int16"}


def test_the_reading_to_begin_with_is_the_one_plausible_float_else_one_register() -> None:
    high, low = ON_THE_WIRE["CDAB"]
    assert (likely({0: high, 1: low}, 0, "input").kind, likely({0: high, 1: low}, 0, "input").order) == (
        "float32",
        "CDAB",
    )
    assert likely({0: 441, 1: 498}, 0, "input").kind == "uint16"
    assert likely({0: 0xFFF0, 1: 3}, 0, "input").value == -16.0


def test_the_printed_table_names_registers_types_and_orders() -> None:
    high, low = ON_THE_WIRE["ABCD"]
    words = {7: high, 8: low}
    text = "\n".join(lines(decodings(words, 7, "holding"), words))
    assert "register 7: 47F1 2000" in text
    assert "*123456" in text
    assert all(order in text for order in ORDERS)
