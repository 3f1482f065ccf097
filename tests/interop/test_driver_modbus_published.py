"""The worked examples of the Modbus Application Protocol V1.1b3 that read, and what independent tools make of the same registers.

The examples of clauses 6.5 to 6.17 write: nothing here can send them, which test_driver_reads_only shows.
"""

from __future__ import annotations

import asyncio
import shutil
import socket
from collections.abc import AsyncIterator
from contextlib import asynccontextmanager

import pytest

from plantview.config.ports import free_port
from plantview.drivers.modbus_decode import decoder
from plantview.drivers.modbus_reader import ModbusReader
from plantview.errors import DeviceRefused
from plantview.model.point import ModbusAddress
from tests.faults.polled import LOOPBACK
from tests.interop.peers.libmodbus import LibModbus


@asynccontextmanager
async def _answering(framed: bytes, answer: bytes) -> AsyncIterator[tuple[int, list[bytes]]]:
    """Serve one answer, its first octets being the request's transaction, and keep what was asked."""
    asked: list[bytes] = []

    async def serve(reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        request = await reader.read(260)
        asked.append(request)
        writer.write(request[:2] + framed + answer if framed else answer)
        await writer.drain()
        await reader.read()
        writer.close()

    server = await asyncio.start_server(serve, LOOPBACK, 0)
    try:
        yield server.sockets[0].getsockname()[1], asked
    finally:
        server.close()
        await server.wait_closed()
        for _ in range(5):
            await asyncio.sleep(0)


def _header(pdu: bytes, unit: int) -> bytes:
    return b"\0\0" + (len(pdu) + 1).to_bytes(2, "big") + bytes((unit,))


def _bits(octets: str, count: int) -> list[int]:
    return [int(octets[place // 8 * 3 : place // 8 * 3 + 2], 16) >> place % 8 & 1 for place in range(count)]


@pytest.mark.parametrize(
    ("clause", "table", "first", "count", "request_pdu", "answer_pdu", "values"),
    [
        ("6.1 coils 20 to 38", "coil", 0x13, 0x13, "01 0013 0013", "01 03 CD6B05", _bits("CD 6B 05", 19)),
        (
            "6.2 discrete inputs 197 to 218",
            "discrete",
            0xC4,
            0x16,
            "02 00C4 0016",
            "02 03 ACDB35",
            _bits("AC DB 35", 22),
        ),
        ("6.3 holding registers 108 to 110", "holding", 0x6B, 3, "03 006B 0003", "03 06 022B 0000 0064", [555, 0, 100]),
        ("6.4 input register 9", "input", 8, 1, "04 0008 0001", "04 02 000A", [10]),
    ],
    ids=lambda value: value if isinstance(value, str) and value.startswith("6.") else "",
)
async def test_the_published_example_is_asked_and_read_octet_for_octet(
    clause: str, table: str, first: int, count: int, request_pdu: str, answer_pdu: str, values: list[int]
) -> None:
    answer = bytes.fromhex(answer_pdu)
    async with _answering(_header(answer, 17), answer) as (port, asked):
        reader = ModbusReader(LOOPBACK, port)
        assert await reader.read("D", 17, table, first, count, within_s=1.0) == values
        reader.close()
    assert asked[0][7:] == bytes.fromhex(request_pdu)


async def test_the_published_exception_is_a_refusal_with_its_word() -> None:
    """Clause 7: reading a coil at 1185 that does not exist is answered by 81 02."""
    async with _answering(_header(b"\x81\x02", 1), b"\x81\x02") as (port, asked):
        reader = ModbusReader(LOOPBACK, port)
        with pytest.raises(DeviceRefused, match="exception 2, illegal data address"):
            await reader.read("D", 1, "coil", 0x04A1, 1, within_s=1.0)
        reader.close()
    assert asked[0][7:] == bytes.fromhex("01 04A1 0001")


async def test_a_serial_request_carries_the_check_sum_as_published() -> None:
    """11 03 00 6B 00 03 goes out with 76 87: the usual worked example of a serial frame (from memory, recomputed)."""
    answer = bytes.fromhex("11 03 06 022B 0000 0064")
    from tests.faults.serial_device import check_sum

    async with _answering(b"", answer + check_sum(answer)) as (port, asked):
        reader = ModbusReader(LOOPBACK, port, "rtu")
        assert await reader.read("D", 0x11, "holding", 0x6B, 3, within_s=1.0) == [555, 0, 100]
        reader.close()
    assert asked[0] == bytes.fromhex("11 03 006B 0003 7687")


@asynccontextmanager
async def _libmodbus(*words: str) -> AsyncIterator[int]:
    port = free_port(socket.SOCK_STREAM)
    server = LibModbus(port, *words)
    await server.start()
    try:
        yield port
    finally:
        await server.stop()


async def test_the_four_byte_orders_agree_with_what_libmodbus_writes() -> None:
    """libmodbus 3.1.6 of Debian 12; its names for the orders changed in 3.1.8 and 3.1.11, the octets here did not."""
    async with _libmodbus("float") as port:
        reader = ModbusReader(LOOPBACK, port)
        words = await reader.read("D", 1, "holding", 100, 8, within_s=1.0)
        reader.close()
    for place, order in enumerate(("ABCD", "CDAB", "BADC", "DCBA")):
        address = ModbusAddress("holding", 100 + 2 * place, "float32", order, 1.0, 0.0, ())
        assert decoder(address)(words[2 * place : 2 * place + 2]) == 123_456.0


async def test_mbpoll_and_our_reader_read_the_same_from_libmodbus() -> None:
    if shutil.which("mbpoll") is None:
        pytest.skip("needs mbpoll: tests/run.sh installs it")
    async with _libmodbus("float") as port:
        reader = ModbusReader(LOOPBACK, port)
        words = await reader.read("D", 1, "holding", 96, 12, within_s=1.0)
        reader.close()
        poll = await asyncio.create_subprocess_exec(
            "mbpoll",
            "-m",
            "tcp",
            "-p",
            str(port),
            "-a",
            "1",
            "-0",
            "-r",
            "96",
            "-c",
            "12",
            "-t",
            "4:hex",
            "-1",
            LOOPBACK,
            stdout=asyncio.subprocess.PIPE,
        )
        told, _ = await asyncio.wait_for(poll.communicate(), 10)
    theirs = [int(line.split()[1], 16) for line in told.decode().splitlines() if line.startswith("[")]
    assert theirs == words


async def test_pymodbus_tcp_s_client_and_our_reader_agree_on_coils_and_inputs() -> None:
    from pyModbusTCP.client import ModbusClient

    async with _libmodbus() as port:
        reader = ModbusReader(LOOPBACK, port)
        ours = [await reader.read("D", 1, table, 3, 20, within_s=1.0) for table in ("coil", "discrete", "input")]
        reader.close()
        client = ModbusClient(host=LOOPBACK, port=port, unit_id=1, timeout=2.0)
        theirs = [
            await asyncio.to_thread(read, 3, 20)
            for read in (client.read_coils, client.read_discrete_inputs, client.read_input_registers)
        ]
        await asyncio.to_thread(client.close)
    assert [[int(one) for one in row] for row in theirs] == ours
