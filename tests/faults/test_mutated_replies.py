"""Answers with something changed in them: no crash, no hang, and no number that is not in the octets.

Seeded. The long form takes 100,000 answers per protocol: pytest -m long tests/faults/test_mutated_replies.py
"""

from __future__ import annotations

import asyncio
import collections
import math
import random
import struct

import pytest
from bacpypes3.apdu import ComplexAckPDU, ReadPropertyMultipleACK
from bacpypes3.primitivedata import Real

from plantview.drivers.bacnet_codec import PRESENT_VALUE, decode_read_multiple
from plantview.drivers.bacnet_network import BacnetNetwork
from plantview.drivers.bacnet_reader import BacnetReader, ObjectBatch
from plantview.drivers.bacnet_tags import Malformed
from plantview.drivers.exchange import NoValue
from plantview.drivers.modbus_reader import ModbusReader
from plantview.errors import DriverError
from plantview.model.plant import Adapter
from tests.faults import bacnet_device as bacnet
from tests.faults import modbus_device as modbus
from tests.faults.polled import LOOPBACK, bacnet_device

SEED = 20_251
KEYS = [1, 2, 3, 4]
COUNTS = [
    pytest.param(10_000, marks=pytest.mark.timeout(60)),
    pytest.param(100_000, marks=[pytest.mark.long, pytest.mark.timeout(900)]),
]


def mutated(octets: bytes, chance: random.Random, at: int | None = None) -> bytes:
    """Return the octets with one changed, dropped, doubled or put in, two swapped, a bit turned, or the rest cut off."""
    at = chance.randrange(len(octets)) if at is None else at
    other = chance.randrange(len(octets))
    low, high = min(at, other), max(at, other)
    made: list[bytes] = [
        octets[:at] + chance.randbytes(1) + octets[at + 1 :],
        octets[:at] + octets[at + 1 :],
        octets[: at + 1] + octets[at:],
        octets[:at] + chance.randbytes(1) + octets[at:],
        octets[:low] + octets[high : high + 1] + octets[low + 1 : high] + octets[low : low + 1] + octets[high + 1 :],
        octets[:at] + bytes((octets[at] ^ 1 << chance.randrange(8),)) + octets[at + 1 :],
        octets[:at],
    ]
    return chance.choice(made)


def _answer() -> bytes:
    """Return the service answer for four analog inputs, from our test device's own encoder."""
    request = bacnet.Request(1, 14, tuple((key, prop) for key in KEYS for prop in (85, 111)))
    values = {(key, prop): bacnet.real(10.25 * key) if prop == 85 else bacnet.flags(0) for key, prop in request.asked}
    return bacnet.answer(request, values)[3:]


def _by_bacpypes3(octets: bytes) -> dict[int, float] | None:
    """Return the Real present-values that bacpypes3's typed decoder reads; None where it refuses the whole."""
    apdu = ComplexAckPDU(14, 1)
    apdu.put_data(octets)
    found: dict[int, float] = {}
    try:
        for result in ReadPropertyMultipleACK.decode(apdu).listOfReadAccessResults:
            kind, instance = result.objectIdentifier
            for element in result.listOfResults:
                if int(element.propertyIdentifier) == PRESENT_VALUE and element.readResult.propertyValue is not None:
                    found[int(kind) << 22 | int(instance)] = float(element.readResult.propertyValue.cast_out(Real))
    except Exception:  # noqa: BLE001 - whatever it raises, it refuses
        return None
    return found


@pytest.mark.parametrize("count", COUNTS)
def test_every_bacnet_number_out_of_a_mutated_answer_is_what_bacpypes3_reads_or_stands_in_the_octets(
    count: int,
) -> None:
    whole, chance = _answer(), random.Random(SEED)
    seen = collections.Counter[str]()
    for _ in range(count):
        octets = mutated(whole, chance)
        try:
            items = decode_read_multiple(octets, KEYS)
        except Malformed:
            seen["malformed"] += 1
            continue
        ours = {
            key: item for (key, prop), item in items.items() if prop == PRESENT_VALUE and not isinstance(item, NoValue)
        }
        theirs = _by_bacpypes3(octets)
        for key, value in ours.items():
            assert key in KEYS
            assert _stands_in(octets, key, value), octets.hex(" ")
            if theirs is not None and key in theirs:  # theirs may stop at the first odd object and say nothing
                assert _same(theirs[key], value), octets.hex(" ")
        seen["compared" if theirs is not None else "they refuse the whole"] += 1
    assert seen["malformed"] > count / 10, seen
    assert seen["compared"] > count / 10, seen


def _same(theirs: float, ours: float) -> bool:
    return theirs == ours or (math.isnan(theirs) and math.isnan(ours))


def _stands_in(octets: bytes, key: int, value: float) -> bool:
    """Tell whether the object's name is followed by this number as a Real or a Double, before the next name."""
    after = octets.partition(b"\x0c" + key.to_bytes(4, "big") + b"\x1e")[2]
    if math.isnan(value):
        return True
    packed = (
        [struct.pack(">d", value)]
        if abs(value) > 3.4e38 and not math.isinf(value)
        else [struct.pack(">f", value), struct.pack(">d", value)]
    )
    return any(one in after for one in packed)


ENVELOPE = ("type", "invoke", "service", "object", "length", "version")


@pytest.mark.timeout(60)
@pytest.mark.parametrize("part", ENVELOPE)
async def test_a_bacnet_answer_with_a_changed_envelope_never_gives_a_number(part: str) -> None:
    chance = random.Random(f"{SEED}{part}")

    async with (
        bacnet.serving(bacnet.honest, objects=4) as device,
        BacnetNetwork(Adapter(f"{LOOPBACK}/8", 0)) as network,
    ):
        send = bacnet.Device.send

        def spoilt(apdu: bytes, addr: tuple[str, int]) -> None:
            assert device.transport is not None
            octets = bytearray(b"\x81\x0a" + struct.pack(">H", len(apdu) + 6) + b"\x01\x00" + apdu)
            at = {
                "type": 6,
                "invoke": 7,
                "service": 8,
                "length": 3,
                "version": 4,
                "object": chance.choice([9 + 1, 9 + 4, 9 + 2]),
            }[part]
            octets[at] ^= 1 << chance.randrange(4, 8) if part == "object" else chance.randrange(1, 256)
            if part == "type":
                octets[at] = chance.choice(
                    [0x20, 0x40, 0x50, 0x60, 0x70, 0x80, 0xF0]
                )  # any but a request, and what it was
            if part == "length":
                octets[2] = chance.randrange(1, 256)
            device.transport.sendto(bytes(octets), addr)

        device.send = spoilt  # type: ignore[method-assign]
        assert send is not None
        reader = BacnetReader(network, bacnet_device("BC-1", device.port, 77, timeout_s=0.01))
        numbers = 0
        for _ in range(300):
            try:
                answers = await reader.read(ObjectBatch(KEYS))
            except DriverError:
                continue
            numbers += sum(isinstance(one.value, float) for one in answers.values())
        assert numbers == 0


FIRST, WORDS, UNIT = 100, 6, 5


def _by_the_standard(frame: bytes, transaction: int) -> list[int] | None:
    """Return the registers of a frame that is right in every part: written from the standard, sharing nothing with the driver."""
    if len(frame) < 9:
        return None
    head = struct.unpack(">HHHBBB", frame[:9])
    if head != (transaction, 0, 3 + 2 * WORDS, UNIT, 3, 2 * WORDS) or len(frame) < 9 + 2 * WORDS:
        return None
    return list(struct.unpack(f">{WORDS}H", frame[9 : 9 + 2 * WORDS]))


@pytest.mark.parametrize("count", COUNTS)
async def test_every_modbus_number_out_of_a_mutated_answer_is_what_the_standard_reads_in_it(count: int) -> None:
    chance = random.Random(SEED)
    sent: list[tuple[int, bytes]] = []
    seen = collections.Counter[str]()

    async def serve(stream: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        try:
            while True:
                transaction, _, _, unit, function, first, number = struct.unpack(
                    ">HHHBBHH", await stream.readexactly(12)
                )
                frame = mutated(
                    modbus.honest(NOBODY, modbus.Request(transaction, unit, function, first, number)), chance
                )
                sent.append((transaction, frame))
                writer.write(frame)
                if _by_the_standard(frame, transaction) is None:
                    break  # nothing more will come: waiting for the deadline proves no more than the end of the connection
        except (asyncio.IncompleteReadError, ConnectionError):
            pass
        finally:
            writer.close()

    server = await asyncio.start_server(serve, LOOPBACK, 0)
    reader = ModbusReader(LOOPBACK, server.sockets[0].getsockname()[1])
    try:
        for _ in range(count):
            try:
                words = await reader.read("CH-1", UNIT, "holding", FIRST, WORDS, within_s=2.0)
            except DriverError as error:
                seen[type(error).__name__] += 1
                continue
            transaction, frame = sent[-1]
            assert words == _by_the_standard(frame, transaction), frame.hex(" ")
            seen["good"] += 1
            sent.clear()
    finally:
        reader.close()
        server.close()
        await server.wait_closed()
        await asyncio.sleep(0)
    assert seen["good"] > count / 10, seen
    assert seen.total() - seen["good"] > count / 10, seen


NOBODY = modbus.Device(modbus.honest)


@pytest.mark.parametrize(
    ("field", "value"),
    [
        ("transaction", 0),
        ("transaction", 40_000),
        ("protocol", 1),
        ("length", 2),
        ("length", 14),
        ("length", 16),
        ("unit", 6),
        ("unit", 0),
    ],
)
async def test_a_modbus_answer_with_a_changed_envelope_never_gives_a_number(field: str, value: int) -> None:
    def spoilt(device: modbus.Device, request: modbus.Request) -> bytes:
        return modbus.frame(request, modbus.registers(request), **{field: value})

    async with modbus.serving(spoilt) as device:
        reader = ModbusReader(LOOPBACK, device.port)
        for _ in range(3):
            with pytest.raises(DriverError):
                await reader.read("CH-1", UNIT, "holding", FIRST, WORDS, within_s=0.03)
        reader.close()
