"""Values that are more than one binary number: decimal digits, text, bit fields, scale registers, sentinels."""

from __future__ import annotations

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from plantview.drivers.exchange import NoValue
from plantview.drivers.modbus_decode import NOT_AVAILABLE, OVER_RANGE, UNDER_RANGE, decoder
from plantview.drivers.modbus_frames import crc16
from plantview.model.point import ModbusAddress

STATES = {0: "OFF", 1: "RUN", 2: "FAULT"}


def _address(
    kind: str,
    order: str = "ABCD",
    *,
    scale: float = 1.0,
    offset: float = 0.0,
    na: tuple[int, ...] = (),
    over: tuple[int, ...] = (),
    under: tuple[int, ...] = (),
    first: int = 100,
    scaler: int | None = None,
) -> ModbusAddress:
    return ModbusAddress("holding", first, kind, order, scale, offset, na, over, under, scaler)


def _text(text: str, registers: int) -> list[int]:
    octets = text.encode("latin-1").ljust(2 * registers, b"\0")
    return [octets[at] << 8 | octets[at + 1] for at in range(0, 2 * registers, 2)]


def test_packed_decimal_by_its_usual_example() -> None:
    """0x0248 is 248: packed BCD, one decimal digit per four bits (common practice, no source)."""
    assert decoder(_address("bcd16"))([0x0248]) == 248.0
    assert decoder(_address("bcd32"))([0x0012, 0x3456]) == 123_456.0
    assert decoder(_address("bcd32", "CDAB", scale=0.1))([0x3456, 0x0012]) == pytest.approx(12_345.6)


@given(st.integers(0, 9_999))
def test_packed_decimal_is_the_number_whose_digits_stand_in_it(number: int) -> None:
    assert decoder(_address("bcd16"))([int(str(number), 16)]) == number


@pytest.mark.parametrize("word", [0x024A, 0xF000, 0x00B0])
def test_a_digit_above_nine_is_no_value_and_is_named(word: int) -> None:
    found = decoder(_address("bcd16"))([word])
    assert isinstance(found, NoValue)
    assert "digit above 9" in found.why


@pytest.mark.parametrize(
    ("order", "registers", "number"),
    [
        # A meter maker's published worked example: registers 1700 to 1703 hold 4567, 0123, 0, 0 for 1,234,567 Wh.
        ("CDAB", [4567, 123, 0, 0], 1_234_567.0),
        ("ABCD", [0, 0, 123, 4567], 1_234_567.0),
        ("CDAB", [9999, 9999, 9999], 999_999_999_999.0),
        ("CDAB", [0x10000 - 4567, 0x10000 - 123, 0], -1_234_567.0),
    ],
)
def test_mod_10k_counts_four_decimal_digits_per_register(order: str, registers: list[int], number: float) -> None:
    assert decoder(_address(f"mod10k:{len(registers)}", order))(registers) == number


@pytest.mark.parametrize("registers", [[10_000, 0, 0], [0, 0xFFFF - 9_999, 1], [0x8000, 0, 0]])
def test_a_mod_10k_register_beyond_9999_is_no_value(registers: list[int]) -> None:
    found = decoder(_address("mod10k:3", "CDAB"))(registers)
    assert isinstance(found, NoValue)
    assert "beyond 9999" in found.why


@given(st.integers(0, 10**16 - 1))
def test_mod_10k_agrees_with_counting_the_digits_by_hand(number: int) -> None:
    digits = f"{number:016d}"
    registers = [int(digits[at : at + 4]) for at in (12, 8, 4, 0)]
    assert decoder(_address("mod10k:4", "CDAB"))(registers) == float(number)


@pytest.mark.parametrize(
    ("kind", "value"),
    [
        ("bits:0-3", 0xC),
        ("bits:4-7", 0xA),
        ("bits:8-15", 0x5B),
        ("bits:0-7", 0xAC),
        ("bits:15-15", 0),
        ("bits:0-15", 0x5BAC),
    ],
)
def test_a_bit_field_is_counted_from_its_lowest_bit(kind: str, value: int) -> None:
    assert decoder(_address(kind))([0x5BAC]) == float(value)


def test_a_state_may_be_a_text_and_is_looked_up_among_the_words_of_the_point() -> None:
    decode = decoder(_address("string:4"), STATES)
    assert decode(_text("run", 4)) == 1.0
    assert decode(_text("FAULT  ", 4)) == 2.0
    assert decode(_text("WASH", 4)) == NoValue("unknown state 'WASH'")
    assert decode(_text("", 4)) is NOT_AVAILABLE


def test_a_number_may_be_spelled_out_with_its_octets_swapped() -> None:
    swapped = [(word & 0xFF) << 8 | word >> 8 for word in _text("-12.5", 4)]
    assert decoder(_address("string:4"))(_text("6.75", 4)) == 6.75
    assert decoder(_address("string:4", "BADC"))(swapped) == -12.5
    found = decoder(_address("string:4"))(_text("7.1 °C", 4))
    assert found == NoValue("the device says '7.1 °C', which is no number")
    assert isinstance(decoder(_address("string:4"))(_text("nan", 4)), NoValue)


@pytest.mark.parametrize(
    ("kind", "wire", "expected"),
    [
        # 0x8000 not available, 0x7FFF at or above 32767, 0x8001 at or below -32767: a transmitter maker's register manual
        ("int16", [0x8000], NOT_AVAILABLE),
        ("int16", [0x7FFF], OVER_RANGE),
        ("int16", [0x8001], UNDER_RANGE),
        ("int16", [0x7FFE], 3_276.6),
        ("int16", [0x8002], -3_276.6),
    ],
)
def test_sentinels_of_range_are_told_apart_before_scaling(kind: str, wire: list[int], expected: object) -> None:
    address = _address(kind, scale=0.1, na=(0x8000,), over=(0x7FFF,), under=(0x8001,))
    found = decoder(address)(wire)
    assert found == (pytest.approx(expected) if isinstance(expected, float) else expected)


@pytest.mark.parametrize(
    ("kind", "wire"),
    [
        # "unimplemented" values of the SunSpec Device Information Model, as its reference implementation lists them
        ("int16", [0x8000]),
        ("uint16", [0xFFFF]),
        ("int32", [0x8000, 0]),
        ("uint32", [0xFFFF, 0xFFFF]),
        ("int64", [0x8000, 0, 0, 0]),
        ("uint64", [0xFFFF] * 4),
    ],
)
def test_the_published_unimplemented_values_work_as_sentinels_in_every_order(kind: str, wire: list[int]) -> None:
    raw = int.from_bytes(b"".join(word.to_bytes(2, "big") for word in wire), "big")
    for order in ("ABCD", "CDAB"):
        words = wire if order == "ABCD" else wire[::-1]
        assert decoder(_address(kind, order, na=(raw,)))(words) is NOT_AVAILABLE


@pytest.mark.parametrize(
    ("exponent", "value"), [(0, 2_350.0), (1, 23_500.0), (0xFFFF, 235.0), (0xFFFE, 23.5), (0xFFFD, 2.35)]
)
def test_a_scale_register_is_a_power_of_ten_with_a_sign(exponent: int, value: float) -> None:
    """SunSpec scale factor: value times ten to the power of a signed register."""
    behind = decoder(_address("int16", first=100, scaler=102))
    before = decoder(_address("int16", first=100, scaler=98))
    assert behind([2_350, 7, exponent]) == value
    assert before([exponent, 7, 2_350]) == value


@pytest.mark.parametrize(("exponent", "why"), [(0x8000, "not available"), (11, "11"), (0xFF00, "-256")])
def test_a_scale_register_beyond_its_range_makes_the_value_unknown(exponent: int, why: str) -> None:
    assert decoder(_address("uint16", scaler=101))([1, exponent]) == NoValue(f"the scale register says {why}")


def test_value_and_scale_register_reach_over_the_registers_between_them() -> None:
    assert _address("uint32", first=100, scaler=110).reach == (100, 111)
    assert _address("uint32", first=100, scaler=90).reach == (90, 102)
    assert _address("string:8").reach == (100, 108)
    assert (_address("mod10k:3").count, _address("bits:0-3").count, _address("bcd32").count) == (3, 1, 2)


@pytest.mark.parametrize(
    ("order", "wire"),
    [
        # 1.0 in IEEE 754 double is 3F F0 00 00 00 00 00 00
        ("ABCD", [0x3FF0, 0, 0, 0]),
        ("CDAB", [0, 0, 0, 0x3FF0]),
        ("BADC", [0xF03F, 0, 0, 0]),
        ("DCBA", [0, 0, 0, 0xF03F]),
    ],
)
def test_the_four_orders_of_a_double_by_byte_example(order: str, wire: list[int]) -> None:
    assert decoder(_address("float64", order))(wire) == 1.0
    assert math.isclose(decoder(_address("float64", order, scale=2.0, offset=1.0))(wire), 3.0)  # type: ignore[arg-type]


def test_the_check_sum_of_serial_frames_by_its_published_check_value() -> None:
    """CRC-16/MODBUS of "123456789" is 0x4B37: catalogue of parametrised CRC algorithms, entry CRC-16/MODBUS."""
    assert crc16(b"123456789") == 0x4B37
