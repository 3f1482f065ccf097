"""Request and response octets as printed in the Modbus Application Protocol Specification V1.1b3.

Each row is the worked example of the section that it names. Section 6.11's and 6.12's
register contents are read back afterwards, so an echo alone does not pass.
"""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from plantview.model.point import Point
from plantview.simulator.devices.modbus_pdu import answer
from plantview.simulator.devices.register_map import RegisterMap
from tests.interop.simulated import StillPlant, bench_plant, modbus_point, register

Contents = list[tuple[Point, float]]


def _bits(table: str, first: int, octets: str, count: int) -> Contents:
    data = bytes.fromhex(octets)
    return [
        (
            modbus_point(f"{table}.{first + at}", register(first + at, "bit:0", table), commandable=table == "coil"),
            float(data[at // 8] >> at % 8 & 1),
        )
        for at in range(count)
    ]


def _words(table: str, first: int, *values: int) -> Contents:
    writable = table == "holding"
    return [
        (
            modbus_point(f"{table}.{first + at}", register(first + at, "uint16", table), commandable=writable),
            float(value),
        )
        for at, value in enumerate(values)
    ]


def _map(contents: Contents) -> tuple[RegisterMap, StillPlant]:
    points = [point for point, _ in contents]
    plant = StillPlant(bench_plant(*points))
    registers = RegisterMap(points, plant)
    registers.refresh({point.name: value for point, value in contents})
    return registers, plant


READS = {
    "6.1 read coils 20 to 38": (_bits("coil", 19, "CD 6B 05", 19), "01 0013 0013", "01 03 CD6B05"),
    "6.2 read discrete inputs 197 to 218": (_bits("discrete", 196, "AC DB 35", 22), "02 00C4 0016", "02 03 ACDB35"),
    "6.3 read holding registers 108 to 110": (
        _words("holding", 107, 555, 0, 100),
        "03 006B 0003",
        "03 06 022B 0000 0064",
    ),
    "6.4 read input register 9": (_words("input", 8, 10), "04 0008 0001", "04 02 000A"),
    "7 read coil 1186 that is not there": (_bits("coil", 19, "CD", 8), "01 04A1 0001", "81 02"),
}
WRITES = {
    "6.5 write coil 173 on": (_bits("coil", 172, "00", 1), "05 00AC FF00", "05 00AC FF00", "01 00AC 0001", "01 01 01"),
    "6.6 write register 2": (_words("holding", 1, 0), "06 0001 0003", "06 0001 0003", "03 0001 0001", "03 02 0003"),
    "6.11 write ten coils from 20": (
        _bits("coil", 19, "00 00", 10),
        "0F 0013 000A 02 CD01",
        "0F 0013 000A",
        "01 0013 000A",
        "01 02 CD01",
    ),
    "6.12 write two registers from 2": (
        _words("holding", 1, 0, 0),
        "10 0001 0002 04 000A 0102",
        "10 0001 0002",
        "03 0001 0002",
        "03 04 000A 0102",
    ),
}


@pytest.mark.parametrize(("contents", "request_octets", "response_octets"), READS.values(), ids=READS.keys())
def test_a_read_is_answered_as_the_specification_prints_it(
    contents: Contents, request_octets: str, response_octets: str
) -> None:
    registers, _ = _map(contents)
    assert answer(bytes.fromhex(request_octets), registers) == bytes.fromhex(response_octets)


@pytest.mark.parametrize(
    ("contents", "request_octets", "response_octets", "read_back", "then"), WRITES.values(), ids=WRITES.keys()
)
def test_a_write_is_answered_as_the_specification_prints_it_and_reaches_the_plant(
    contents: Contents, request_octets: str, response_octets: str, read_back: str, then: str
) -> None:
    registers, plant = _map(contents)
    assert answer(bytes.fromhex(request_octets), registers) == bytes.fromhex(response_octets)
    assert answer(bytes.fromhex(read_back), registers) == bytes.fromhex(then)
    assert [name for name, _ in plant.commands] == [point.name for point, _ in contents]


ILLEGAL = {
    "6.3 no register at all": ("03 006B 0000", "83 03"),
    "6.3 one register above the limit of 125": ("03 006B 007E", "83 03"),
    "6.1 one coil above the limit of 2000": ("01 0000 07D1", "81 03"),
    "6.5 a coil value that is neither FF00 nor 0000": ("05 0013 1234", "85 03"),
    "6.11 fewer octets than coils": ("0F 0013 000A 01 CD", "8F 03"),
    "6.12 octet count that does not fit": ("10 006B 0002 03 000A 01", "90 03"),
    "6.12 one register above the limit of 123": ("10 006B 007C F8" + "00" * 248, "90 03"),
    "7 a function that the device does not have": ("65 0000 0001", "E5 01"),
    "6.16 mask write, which the device does not have": ("16 0004 00F2 0025", "96 01"),
    "6.3 a request that ends too early": ("03 006B", "83 03"),
    "6.3 a read that runs into a hole": ("03 006B 0004", "83 02"),
    "6.6 a register that is not there": ("06 0001 0003", "86 02"),
    "6.3 a read past the last address": ("03 FFFF 0002", "83 02"),
}


@pytest.mark.parametrize(("request_octets", "response_octets"), ILLEGAL.values(), ids=ILLEGAL.keys())
def test_an_illegal_request_gets_the_exception_that_its_section_names(
    request_octets: str, response_octets: str
) -> None:
    registers, plant = _map(_words("holding", 107, 555, 0, 100) + _bits("coil", 19, "CD 6B 05", 19))
    assert answer(bytes.fromhex(request_octets), registers) == bytes.fromhex(response_octets)
    assert plant.commands == []


def test_a_write_over_one_read_only_register_writes_nothing() -> None:
    free = modbus_point("free", register(1), commandable=True)
    fixed = modbus_point("fixed", register(2))
    registers, plant = _map([(free, 5.0), (fixed, 6.0)])
    assert answer(bytes.fromhex("10 0001 0002 04 0001 0002"), registers) == bytes.fromhex("90 02")
    assert registers.read("holding", 1, 2) == [5, 6]
    assert plant.commands == []


def test_half_of_a_two_register_value_cannot_be_written() -> None:
    wide = modbus_point("wide", register(10, "float32"), commandable=True)
    registers, plant = _map([(wide, 1.0)])
    assert answer(bytes.fromhex("06 000A 4148"), registers) == bytes.fromhex("86 02")
    assert answer(bytes.fromhex("10 000A 0002 04 4148 0000"), registers) == bytes.fromhex("10 000A 0002")
    assert plant.commands == [("wide", 12.5)]


def test_values_outside_the_limits_and_the_no_data_mark_are_refused() -> None:
    address = register(120, "int16", scale=0.1, na=(0x8000,))
    setpoint = modbus_point("sp", address, commandable=True, limits=(38.0, 60.0))
    registers, plant = _map([(setpoint, 44.0)])
    assert answer(bytes.fromhex("06 0078 0000"), registers) == bytes.fromhex("86 03")  # 0.0 degrees
    assert answer(bytes.fromhex("06 0078 8000"), registers) == bytes.fromhex("86 03")  # "no data"
    assert plant.commands == []
    assert answer(bytes.fromhex("06 0078 01C2"), registers) == bytes.fromhex("06 0078 01C2")
    ((point, value),) = plant.commands
    assert (point, value) == ("sp", 45.0)


def test_what_outsiders_wrote_stays_until_the_plant_reports_something_else() -> None:
    setpoint = modbus_point("sp", register(1), commandable=True)
    registers, _ = _map([(setpoint, 44.0)])
    registers.write("holding", 1, [50])
    registers.refresh({"sp": 50.0})
    assert registers.read("holding", 1, 1) == [50]
    registers.refresh({"sp": 44.0})
    assert registers.read("holding", 1, 1) == [44]


@given(st.binary(min_size=1, max_size=253))
def test_whatever_is_asked_the_answer_is_one_pdu_of_the_same_function(asked: bytes) -> None:
    registers, _ = _map(_words("holding", 0, 1, 2, 3) + _bits("coil", 0, "05", 8))
    response = answer(asked, registers)
    assert response[0] & 0x7F == asked[0] & 0x7F
    assert 2 <= len(response) <= 253
    if response[0] & 0x80:
        assert response[1] in {1, 2, 3}
        assert len(response) == 2
