"""The guard of the whole test session can see: it refuses the outside and recognises every write service.

Oracles: frames as bacpypes3 and pymodbus encode them, which the guard does not import.
"""

from __future__ import annotations

import json
import os
import socket
import subprocess
import sys
from pathlib import Path

import pytest
from bacpypes3.apdu import ConfirmedServiceChoice, UnconfirmedServiceChoice
from pymodbus.pdu.register_message import ReadHoldingRegistersRequest, WriteMultipleRegistersRequest

from tests.wire.wire_guard import (
    CONFIRMED_WRITES,
    FOLDER,
    REPORT_VARIABLE,
    UNCONFIRMED_WRITES,
    WireGuard,
    bacnet_write,
    is_loopback,
    modbus_write,
    rows,
)

READ_PROPERTY_MULTIPLE = bytes.fromhex("810a0017 0104 0205 01 0e 0c 00000001 1e 09 55 1f")
WRITE_PROPERTY = bytes.fromhex("810a0017 0104 0005 01 0f 0c 00400001 19 55 3e 44 00000000 3f")
WRITE_THROUGH_ROUTER = bytes.fromhex("810a0000 0124 0001 01 05 ff 0005 01 0f 0c 00400001")
WRITE_IN_SEGMENTS = bytes.fromhex("810a0000 0104 0c05 01 00 04 10 0c 00400001")
SIMPLE_ACK = bytes.fromhex("810a0009 0100 20 01 0f")


def mbap(pdu: bytes) -> bytes:
    return b"\x00\x01\x00\x00" + (len(pdu) + 1).to_bytes(2, "big") + b"\x01" + pdu


def test_write_frames_are_recognised_and_others_are_not() -> None:
    assert bacnet_write(WRITE_PROPERTY) == "WriteProperty"
    assert bacnet_write(WRITE_THROUGH_ROUTER) == "WriteProperty"
    assert bacnet_write(WRITE_IN_SEGMENTS) == "WritePropertyMultiple"
    assert [bacnet_write(frame) for frame in (READ_PROPERTY_MULTIPLE, SIMPLE_ACK, b"", b"\x81")] == [""] * 4


def test_modbus_requests_as_a_library_encodes_them_are_told_apart() -> None:
    write = WriteMultipleRegistersRequest(address=1, registers=[7])
    read = ReadHoldingRegistersRequest(address=1, count=2)
    assert modbus_write(mbap(bytes([write.function_code]) + write.encode())) == "write registers"
    assert modbus_write(mbap(bytes([read.function_code]) + read.encode())) == ""


def test_service_numbers_are_those_of_an_independent_library() -> None:
    spelled = {name.replace("-", "").lower(): number for name, number in ConfirmedServiceChoice._enum_map.items()}
    assert all(spelled[name.lower()] == number for number, name in CONFIRMED_WRITES.items())
    spelled = {name.replace("-", "").lower(): number for name, number in UnconfirmedServiceChoice._enum_map.items()}
    assert all(spelled[name.lower()] == number for number, name in UNCONFIRMED_WRITES.items())


@pytest.mark.parametrize(
    ("host", "is_here"),
    [
        ("127.0.0.1", True),
        ("127.255.255.255", True),
        ("::1", True),
        ("localhost", True),
        ("192.0.2.7", False),
        ("0.0.0.0", False),
    ],
)
def test_only_loopback_is_this_machine(host: str, is_here: bool) -> None:
    assert is_loopback(host) is is_here


def test_an_address_beyond_this_machine_is_refused_and_told(tmp_path: Path) -> None:
    guard = WireGuard(tmp_path / "report")
    with pytest.raises(OSError, match=r"refused 192\.0\.2\.7"):
        guard.check(("192.0.2.7", 47808))
    told, end = rows(tmp_path / "report")
    assert [(row["kind"], row["what"]) for row in told] == [("left", "192.0.2.7:47808")]
    assert rows(tmp_path / "report", end) == ([], end)


def test_this_very_session_is_guarded() -> None:
    assert socket.socket.connect.__module__ == "tests.wire.wire_guard"
    with pytest.raises(socket.gaierror):
        socket.getaddrinfo("plant.example.com", 502)


@pytest.mark.outsider_writes
def test_a_write_that_leaves_a_socket_is_counted_in_this_process(tmp_path: Path) -> None:
    before, _ = rows(Path(os.environ[REPORT_VARIABLE]))
    with (
        socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as receiver,
        socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as sender,
    ):
        receiver.bind(("127.0.0.1", 0))
        sender.sendto(READ_PROPERTY_MULTIPLE, receiver.getsockname())
        sender.sendto(WRITE_PROPERTY, receiver.getsockname())
    after, _ = rows(Path(os.environ[REPORT_VARIABLE]))
    assert [row["what"] for row in after[len(before) :]] == ["WriteProperty"]


def test_a_write_that_leaves_a_process_started_by_a_test_is_counted(tmp_path: Path) -> None:
    script = (
        "import socket, sys\n"
        "with socket.create_connection(('127.0.0.1', int(sys.argv[1]))) as wire:\n"
        "    wire.sendall(bytes.fromhex(sys.argv[2]))\n"
    )
    report = tmp_path / "report"
    environment = {**os.environ, "PYTHONPATH": str(FOLDER), REPORT_VARIABLE: str(report)}
    with socket.create_server(("127.0.0.1", 0)) as server:
        frame = mbap(bytes.fromhex("06 0001 0007")).hex()
        subprocess.run(
            [sys.executable, "-c", script, str(server.getsockname()[1]), frame], env=environment, check=True, timeout=10
        )
    assert [json.loads(line)["what"] for line in report.read_text().splitlines()] == ["write single register"]
