"""Registers to numbers: the four byte orders by example, sentinels, scale, and an independent converter."""

from __future__ import annotations

import math
import struct

import pytest
from pymodbus.client.mixin import ModbusClientMixin

from plantview.drivers.exchange import NoValue
from plantview.drivers.modbus_decode import INFINITE, NOT_A_NUMBER, NOT_AVAILABLE, decoder
from plantview.model.point import ModbusAddress

DATATYPES = {one.name.lower(): one for one in ModbusClientMixin.DATATYPE}


def _address(
    kind: str,
    order: str = "ABCD",
    *,
    scale: float = 1.0,
    offset: float = 0.0,
    na: tuple[int, ...] = (),
    table: str = "holding",
) -> ModbusAddress:
    return ModbusAddress(table, 0, kind, order, scale, offset, na)


def _wire(text: str) -> list[int]:
    return [int(word, 16) for word in text.split()]


@pytest.mark.parametrize(
    ("order", "wire"),
    [
        # 123456.0 is 47 F1 20 00 in IEEE 754 (big-endian A B C D); each order is defined by where these octets stand.
        ("ABCD", "47F1 2000"),
        ("CDAB", "2000 47F1"),
        ("BADC", "F147 0020"),
        ("DCBA", "0020 F147"),
    ],
)
def test_the_four_orders_of_a_float_by_byte_example(order: str, wire: str) -> None:
    assert decoder(_address("float32", order))(_wire(wire)) == 123_456.0


@pytest.mark.parametrize(
    ("order", "wire"),
    [
        ("ABCD", "0102 0304 0506 0708"),
        ("CDAB", "0708 0506 0304 0102"),
        ("BADC", "0201 0403 0605 0807"),
        ("DCBA", "0807 0605 0403 0201"),
    ],
)
def test_the_four_orders_of_a_64_bit_integer_by_byte_example(order: str, wire: str) -> None:
    assert decoder(_address("uint64", order))(_wire(wire)) == float(0x0102030405060708)


@pytest.mark.parametrize("kind", ["int16", "uint16", "int32", "uint32", "int64", "uint64", "float32", "float64"])
@pytest.mark.parametrize(("order", "theirs"), [("ABCD", "big"), ("CDAB", "little")])
@pytest.mark.parametrize("value", [0, 1, 127, 32_000])
def test_the_two_orders_that_pymodbus_knows_agree_with_its_converter(
    kind: str, order: str, theirs: str, value: int
) -> None:
    registers = ModbusClientMixin.convert_to_registers(
        float(value) if kind.startswith("float") else value,
        DATATYPES[kind],
        word_order=theirs,  # type: ignore[arg-type]
    )
    address = _address(kind, order)
    assert len(registers) == address.count
    assert decoder(address)(registers) == float(value)


@pytest.mark.parametrize(
    ("kind", "wire", "value"),
    [
        ("int16", "FFFF", -1.0),
        ("int16", "8000", -32_768.0),
        ("uint16", "8000", 32_768.0),
        ("int32", "FFFF FFFE", -2.0),
        ("int64", "FFFF FFFF FFFF FFFF", -1.0),
        ("float32", "C222 0000", -40.5),
        ("float32", "3F80 0000", 1.0),
    ],
)
def test_signs(kind: str, wire: str, value: float) -> None:
    assert decoder(_address(kind))(_wire(wire)) == value


@pytest.mark.parametrize(("number", "expected"), [(0, 1.0), (1, 0.0), (2, 1.0), (15, 1.0)])
def test_bit_zero_is_the_least_significant_of_the_register(number: int, expected: float) -> None:
    assert decoder(_address(f"bit:{number}"))([0x8005]) == expected


def test_a_coil_is_its_bit() -> None:
    assert [decoder(_address("bit:0", table="coil"))([bit]) for bit in (0, 1)] == [0.0, 1.0]


def test_scale_and_offset_follow_the_sign() -> None:
    assert decoder(_address("int16", scale=0.1, offset=-40.0))([0xFFFF]) == pytest.approx(-40.1)


@pytest.mark.parametrize(
    ("kind", "na", "wire"),
    [
        ("int16", (0x8000,), "8000"),
        ("int16", (-32_768,), "8000"),
        ("uint16", (0xFFFF,), "FFFF"),
        ("uint32", (0xFFFFFFFF,), "FFFF FFFF"),
        ("float32", (0x7F7FFFFF,), "7F7F FFFF"),
    ],
)
def test_a_sentinel_is_compared_raw_before_any_scaling(kind: str, na: tuple[int, ...], wire: str) -> None:
    assert decoder(_address(kind, scale=0.1, offset=5.0, na=na))(_wire(wire)) is NOT_AVAILABLE


def test_without_a_sentinel_in_the_list_the_same_number_is_a_value() -> None:
    assert decoder(_address("uint16"))([0xFFFF]) == 65_535.0


@pytest.mark.parametrize(("value", "expected"), [(math.nan, NOT_A_NUMBER), (math.inf, INFINITE), (-math.inf, INFINITE)])
@pytest.mark.parametrize("kind", ["float32", "float64"])
def test_what_is_no_number_is_no_value(kind: str, value: float, expected: NoValue) -> None:
    packed = struct.pack(">f" if kind == "float32" else ">d", value)
    assert decoder(_address(kind))(list(struct.unpack(f">{len(packed) // 2}H", packed))) is expected
