"""Numbers in registers: check values for four byte orders, marks for "no data", and properties.

IEEE 754 single precision: 123456.0 = 47F12000, 1.0 = 3F800000, -40.5 = C2220000 (checked with
Python's struct as well). Marks 0x8000 (int16), 0xFFFF (uint16) and 7FC00000 (float32) are those of
the SunSpec Information Model Reference, as its reference implementation pysunspec2 has them.
"""

from __future__ import annotations

import math
import struct
from dataclasses import replace
from itertools import chain
from typing import Literal

import pytest
from hypothesis import given
from hypothesis import strategies as st
from pymodbus.client.mixin import ModbusClientMixin

from plantview.config import load_plant
from plantview.config.bundled import bundled_plants
from plantview.model.point import ModbusAddress
from plantview.simulator.devices.registers import pack, unpack
from tests.interop.simulated import register

ORDERS = ("ABCD", "CDAB", "BADC", "DCBA")
CHECK_VALUES = [
    (123456.0, "ABCD", (0x47F1, 0x2000)),
    (123456.0, "CDAB", (0x2000, 0x47F1)),
    (123456.0, "BADC", (0xF147, 0x0020)),
    (123456.0, "DCBA", (0x0020, 0xF147)),
    (1.0, "ABCD", (0x3F80, 0x0000)),
    (-40.5, "ABCD", (0xC222, 0x0000)),
    (-40.5, "DCBA", (0x0000, 0x22C2)),
]


def test_the_panels_of_the_example_plants_use_all_four_orders() -> None:
    addresses = [point.address for folder in bundled_plants().values() for point in load_plant(folder).points.values()]
    wide = {item.order for item in addresses if isinstance(item, ModbusAddress) and item.kind.endswith("32")}
    assert wide == set(ORDERS)


@pytest.mark.parametrize(("value", "order", "words"), CHECK_VALUES)
def test_a_float_lies_in_the_registers_as_its_order_says(value: float, order: str, words: tuple[int, int]) -> None:
    assert pack(register(0, "float32", order=order), value) == words
    assert unpack(register(0, "float32", order=order), words) == value


@pytest.mark.parametrize(
    ("order", "words"),
    [
        ("ABCD", (0x0102, 0x0304, 0x0506, 0x0708)),
        ("CDAB", (0x0708, 0x0506, 0x0304, 0x0102)),
        ("BADC", (0x0201, 0x0403, 0x0605, 0x0807)),
        ("DCBA", (0x0807, 0x0605, 0x0403, 0x0201)),
    ],
)
def test_a_64_bit_number_follows_the_same_four_orders(order: str, words: tuple[int, ...]) -> None:
    value = float(0x0102030405060000)  # exact in a double
    assert pack(register(0, "uint64", order="ABCD"), value) == (0x0102, 0x0304, 0x0506, 0x0000)
    assert unpack(register(0, "uint64", order=order), words) == float(0x0102030405060708)


@pytest.mark.parametrize("kind", ["INT16", "UINT16", "INT32", "UINT32", "INT64", "UINT64", "FLOAT32", "FLOAT64"])
@pytest.mark.parametrize(("order", "word_order"), [("ABCD", "big"), ("CDAB", "little")])
def test_pymodbus_reads_what_we_pack(kind: str, order: str, word_order: Literal["big", "little"]) -> None:
    words = pack(register(0, kind.lower(), order=order), 4321.0)
    assert words is not None
    datatype = ModbusClientMixin.DATATYPE[kind]
    assert ModbusClientMixin.convert_from_registers(list(words), datatype, word_order=word_order) == 4321


def test_scale_and_offset_turn_a_value_into_the_nearest_raw_number() -> None:
    tenth = register(0, "int16", scale=0.1, offset=-40.0)
    assert pack(tenth, 44.26) == (843,)  # (44.26 + 40) / 0.1 = 842.6
    assert unpack(tenth, (843,)) == pytest.approx(44.3)


def test_no_data_is_the_mark_of_the_map_or_not_a_number() -> None:
    assert pack(register(0, "int16", na=(0x8000,)), math.nan) == (0x8000,)
    assert pack(register(0, "uint16", na=(0xFFFF,)), math.nan) == (0xFFFF,)
    assert math.isnan(unpack(register(0, "int16", na=(0x8000,)), (0x8000,)))
    words = pack(register(0, "float32"), math.nan)
    assert words == (0x7FC0, 0x0000)
    assert pack(register(0, "uint16"), math.nan) is None


def test_a_number_beyond_the_type_saturates_and_never_becomes_the_mark() -> None:
    assert pack(register(0, "int16"), 1e9) == (0x7FFF,)
    assert pack(register(0, "uint16"), -5.0) == (0,)
    assert pack(register(0, "int16", na=(0x8000,)), -1e9) == (0x8001,)
    assert pack(register(0, "uint16", na=(0xFFFF,)), 1e9) == (0xFFFE,)


@given(st.floats(width=32, allow_nan=False, allow_infinity=False), st.sampled_from(ORDERS))
def test_a_float_comes_back_from_every_order_as_struct_has_it(value: float, order: str) -> None:
    words = pack(register(0, "float32", order=order), value)
    assert words is not None
    assert unpack(register(0, "float32", order=order), words) == value
    octets = sorted(chain.from_iterable((word >> 8, word & 0xFF) for word in words))
    assert octets == sorted(struct.pack(">f", value))


@given(st.integers(-(2**31), 2**31 - 1), st.sampled_from(ORDERS))
def test_an_integer_comes_back_from_every_order(value: int, order: str) -> None:
    words = pack(register(0, "int32", order=order), float(value))
    assert words is not None
    assert unpack(register(0, "int32", order=order), words) == value


@pytest.mark.parametrize(
    ("kind", "order", "value", "words"),
    [
        ("bcd16", "ABCD", 248.0, (0x0248,)),
        ("bcd32", "CDAB", 12_345_678.0, (0x5678, 0x1234)),
        ("mod10k:4", "CDAB", 1_234_567.0, (4567, 123, 0, 0)),  # a meter maker's published example
        ("mod10k:3", "ABCD", -1_234_567.0, (0, 0x10000 - 123, 0x10000 - 4567)),
        ("bcd16", "ABCD", 12_000.0, (0x9999,)),
        ("bcd16", "ABCD", -3.0, (0,)),
    ],
)
def test_decimal_forms(kind: str, order: str, value: float, words: tuple[int, ...]) -> None:
    assert pack(register(0, kind, order=order), value) == words


@pytest.mark.parametrize(("kind", "value"), [("bcd32", 4_711.0), ("mod10k:3", -123_456_789.0), ("mod10k:2", 9_999.0)])
@pytest.mark.parametrize("order", ORDERS)
def test_decimal_forms_come_back_in_every_order(kind: str, value: float, order: str) -> None:
    address = register(0, kind, order=order)
    words = pack(address, value)
    assert words is not None
    assert unpack(address, words) == value


def test_beyond_its_range_a_transmitter_says_so_if_its_map_has_a_mark_for_it() -> None:
    address = replace(register(0, "int16", na=(0x8000,)), over=(0x7FFF,), under=(0x8001,))
    assert [pack(address, value) for value in (1e6, -1e6, math.nan)] == [(0x7FFF,), (0x8001,), (0x8000,)]
    assert pack(address, 32_767.0) == (0x7FFE,)  # a number never takes on a mark
    assert all(math.isnan(unpack(address, (mark,))) for mark in (0x7FFF, 0x8001, 0x8000))


def test_a_text_register_says_the_word_of_a_state() -> None:
    address = register(0, "string:4")
    assert pack(address, 2.0, {2: "RUN"}) == (0x5255, 0x4E00, 0, 0)
    assert pack(replace(address, order="BADC"), 2.0, {2: "RUN"}) == (0x5552, 0x004E, 0, 0)
    assert pack(address, math.nan, {2: "RUN"}) == (0, 0, 0, 0)
    assert pack(address, 7.5) == (0x372E, 0x3500, 0, 0)
