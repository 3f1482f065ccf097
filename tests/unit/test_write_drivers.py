"""What can write refuses what must never reach a wire, before any socket is touched."""

from __future__ import annotations

import math
from dataclasses import replace

import pytest

from plantview.drivers.bacnet_write import WRITABLE_TYPES, _request
from plantview.drivers.modbus_decode import decoder
from plantview.drivers.modbus_write import ModbusWriter, encode, function_of
from plantview.model.point import BacnetAddress, ModbusAddress, Point
from tests.unit.command_rig import MODBUS, plant_of_two

SETPOINT = BacnetAddress("analog-value", 1)


def point(**changes: object) -> Point:
    own = plant_of_two().points[MODBUS]
    return replace(own, address=replace(own.address, **changes))  # type: ignore[arg-type]


@pytest.mark.parametrize("priority", [1, 2, 3, 4, 5, 6, 7, 0, -8, 17, True, 8.0, "8"])
def test_a_forbidden_priority_is_never_encoded(priority: object) -> None:
    with pytest.raises(ValueError, match="never written"):
        _request(SETPOINT, 44.0, priority)  # type: ignore[arg-type]


@pytest.mark.parametrize("value", [math.nan, math.inf, -math.inf, True, "44", [44.0]])
def test_what_is_no_number_is_never_encoded(value: object) -> None:
    with pytest.raises(ValueError, match="no number"):
        _request(SETPOINT, value, 8)  # type: ignore[arg-type]
    with pytest.raises(ValueError, match="no number"):
        encode(point(), value)  # type: ignore[arg-type]


@pytest.mark.parametrize(
    "kind", ["analog-input", "binary-input", "device", "file", "schedule", "calendar", "loop", "program"]
)
def test_other_object_types_are_never_encoded(kind: str) -> None:
    assert kind not in WRITABLE_TYPES
    with pytest.raises(ValueError, match="never written"):
        _request(BacnetAddress(kind, 1), 44.0, 8)


def test_a_release_without_a_priority_does_not_exist() -> None:
    with pytest.raises(ValueError, match="no priority to release"):
        _request(SETPOINT, None, None)


@pytest.mark.parametrize("priority", [8, 9, 15, 16])
def test_a_request_is_one_typed_write_of_the_present_value(priority: int) -> None:
    """Octets worked by hand from ANSI/ASHRAE 135, clauses 20.2 and 21 (from memory)."""
    octets = bytes(_request(SETPOINT, 44.0, priority).encode().pduData)
    assert octets == bytes.fromhex("0c00800001 1955 3e 4442300000 3f 49") + bytes((priority,))
    octets = bytes(_request(SETPOINT, None, priority).encode().pduData)
    assert octets == bytes.fromhex("0c00800001 1955 3e 00 3f 49") + bytes((priority,))


@pytest.mark.parametrize("order", ["ABCD", "CDAB", "BADC", "DCBA"])
@pytest.mark.parametrize("kind", ["int16", "uint16", "int32", "uint32", "float32", "int64", "float64"])
def test_what_is_encoded_is_what_the_reader_decodes(kind: str, order: str) -> None:
    for value in (44.0, 45.5, 0.0, 6553.5 if kind == "uint16" else 3276.7):
        subject = point(kind=kind, order=order)
        words = encode(subject, value)
        assert isinstance(subject.address, ModbusAddress)
        assert len(words) == subject.address.count
        assert decoder(subject.address)(words) == pytest.approx(value, rel=1e-6)


def test_registers_are_those_that_a_map_would_show() -> None:
    assert encode(point(), 42.0) == (420,)
    assert encode(point(), -1.0) == (0xFFF6,)
    assert encode(point(kind="int32"), 6553.6) == (1, 0)
    assert encode(point(kind="int32", order="CDAB"), 6553.6) == (0, 1)
    assert encode(point(kind="float32", scale=1.0), 44.0) == (0x4230, 0)
    assert encode(point(table="coil", scale=1.0), 1) == (1,)


@pytest.mark.parametrize("value", [3276.8, -3276.9, 1e300, -1e308])
def test_what_does_not_fit_is_refused(value: float) -> None:
    with pytest.raises(ValueError, match="does not fit"):
        encode(point(), value)
    with pytest.raises(ValueError, match="0 or 1"):
        encode(point(table="coil"), value)


def test_a_mark_for_no_value_is_never_written() -> None:
    for marks in ({"not_available": (-32768,)}, {"over": (0x8000,)}, {"under": (0x8000,)}):
        with pytest.raises(ValueError, match="mark for no value"):
            encode(point(**marks), -3276.8)


@pytest.mark.parametrize(
    "changes",
    [
        {"table": "input"},
        {"table": "discrete"},
        {"kind": "bit:1"},
        {"kind": "string:4"},
        {"kind": "bcd16"},
        {"scale_register": 9},
    ],
)
def test_parts_of_a_register_and_read_only_tables_are_refused(changes: dict[str, object]) -> None:
    with pytest.raises(ValueError, match=r"cannot be written|shares its register|another register"):
        encode(point(**changes), 44.0)


def test_the_function_follows_the_size_and_a_wish_that_fits() -> None:
    address, wide = point().address, point(kind="int32").address
    assert isinstance(address, ModbusAddress)
    assert isinstance(wide, ModbusAddress)
    assert (function_of(address), function_of(address, 16), function_of(wide)) == (6, 16, 16)
    assert function_of(replace(address, table="coil")) == 5
    for wrong, wanted in ((address, 5), (wide, 6), (replace(address, table="coil"), 16)):
        with pytest.raises(ValueError, match="does not write"):
            function_of(wrong, wanted)


@pytest.mark.parametrize("changes", [{"unit": 0}, {"unit": 256}, {"framer": "rtu"}])
async def test_everybody_and_shared_serial_lines_are_never_written_to(changes: dict[str, object]) -> None:
    device = replace(plant_of_two().devices["PANEL"], **changes)  # type: ignore[arg-type]
    address = point().address
    assert isinstance(address, ModbusAddress)
    with pytest.raises(ValueError, match="never written"):
        await ModbusWriter().put(device, address, (440,), 6)
    with pytest.raises(ValueError, match="not to be sent"):
        await ModbusWriter().put(plant_of_two().devices["PANEL"], address, (440, 1), 6)
