"""Every misbehaviour of a BACnet device ends in its own quality and reason, and disturbs nobody else."""

from __future__ import annotations

import asyncio
import struct

import pytest

from plantview.clock import SystemClock
from plantview.drivers.bacnet_codec import object_key_of
from plantview.drivers.bacnet_network import BacnetNetwork, exclusive_socket
from plantview.drivers.bacnet_reader import BacnetReader, ObjectBatch
from plantview.errors import DeviceRefused, DeviceSilent, DriverError, ReplyUnusable, StartRefused
from plantview.model.plant import Adapter, Plant
from plantview.model.quality import Quality
from plantview.polling import Polling
from tests.faults import bacnet_device as peer
from tests.faults.bacnet_device import (
    Behaviour,
    Device,
    Request,
    answer,
    honest,
    honest_values,
    on_polls,
    serving,
    with_value,
)
from tests.faults.polled import LOOPBACK, Outcomes, bacnet_device, object_point, open_sockets, plant_of, polling

WITHIN_S = 0.1
GOOD, UNCERTAIN, BAD = Quality.GOOD, Quality.UNCERTAIN, Quality.BAD


def says_nothing(device: Device, request: Request) -> list[bytes]:
    return []


def rejects(device: Device, request: Request) -> list[bytes]:
    return [bytes((0x60, request.invoke, 9))]  # reject unrecognized-service


def has_no_multiple_read(device: Device, request: Request) -> list[bytes]:
    return rejects(device, request) if request.service == 14 else honest(device, request)


def aborts(reason: int) -> Behaviour:
    return on_polls(lambda device, request: [bytes((0x71, request.invoke, reason))])


def aborts_above(objects: int) -> Behaviour:
    def behave(device: Device, request: Request) -> list[bytes]:
        return [bytes((0x71, request.invoke, 4))] if len(request.objects) > objects else honest(device, request)

    return on_polls(behave)


def errs(code: int, error_class: int = 0) -> Behaviour:
    return on_polls(
        lambda device, request: [bytes((0x50, request.invoke, request.service)) + peer.error(code, error_class)]
    )


def refuses_all_for_one_object(device: Device, request: Request) -> list[bytes]:
    refused = bytes((0x50, request.invoke, request.service)) + peer.error(31)
    return [refused] if 1 in request.objects else honest(device, request)


def sends_garbled_octets(device: Device, request: Request) -> list[bytes]:
    return [bytes((0x30, request.invoke, request.service)) + b"\xff\xff\x00\x13\x37"]


def stops_after_the_first_object_name(device: Device, request: Request) -> list[bytes]:
    return [honest(device, request)[0][:8]]


def stops_in_the_middle(device: Device, request: Request) -> list[bytes]:
    whole = honest(device, request)[0]
    return [whole[: len(whole) // 2]]


def answers_for_another_object(device: Device, request: Request) -> list[bytes]:
    return [honest(device, request)[0].replace(b"\x0c\x00\x00\x00\x01", b"\x0c\x00\x00\x00\x09")]


def answers_twice_for_one_object(device: Device, request: Request) -> list[bytes]:
    return [honest(device, request)[0] * 1 + honest(device, request)[0][3:]]


def answers_with_another_service(device: Device, request: Request) -> list[bytes]:
    whole = honest(device, request)[0]
    return [whole[:2] + b"\x0c" + whole[3:]]


def acknowledges_without_data(device: Device, request: Request) -> list[bytes]:
    return [bytes((0x20, request.invoke, request.service))]


def errs_without_a_word(device: Device, request: Request) -> list[bytes]:
    return [bytes((0x50, request.invoke, request.service))]


def answers_another_question(device: Device, request: Request) -> list[bytes]:
    whole = honest(device, request)[0]
    return [whole[:1] + bytes(((request.invoke + 7) % 256,)) + whole[2:]]


def leaves_one_object_out(device: Device, request: Request) -> list[bytes]:
    asked = tuple(one for one in request.asked if one[0] != 1)
    return [answer(Request(request.invoke, request.service, asked), honest_values(device, request))]


def answers_twice(device: Device, request: Request) -> list[bytes]:
    return honest(device, request) * 2


def sends_garbage_first(device: Device, request: Request) -> list[bytes]:
    return [b"", b"\xff" * 30, b"\x30", *honest(device, request)]


def is_faulty(device: Device, request: Request) -> list[bytes]:
    values = honest_values(device, request)
    values.update({at: peer.flags(4) for at in values if at == (1, peer.STATUS_FLAGS)})
    values.update({at: b"\x91\x01" for at in values if at == (1, peer.RELIABILITY)})
    return [answer(request, values)]


def is_faulty_and_says_no_more(device: Device, request: Request) -> list[bytes]:
    if any(prop == peer.RELIABILITY for _, prop in request.asked):
        return []
    return is_faulty(device, request)


UNUSABLE = "an answer that cannot be used"
ODD = "the device answers with"
# behaviour, quality of point X, part of its reason, whether its neighbour Y on the same device is GOOD
TABLE: list[tuple[str, Behaviour, Quality | None, str, bool]] = [
    ("honest", honest, GOOD, "", True),
    ("says nothing", says_nothing, None, "no answer in 0.1 s", False),
    ("silent after its device object answered", on_polls(says_nothing), None, "no answer in 0.1 s", False),
    ("has no multiple read", has_no_multiple_read, GOOD, "", True),
    ("rejects everything", rejects, BAD, "reject unrecognized-service", False),
    ("aborts: too many objects", aborts_above(1), GOOD, "", True),
    ("aborts: segmentation not supported", aborts(4), BAD, "abort segmentation-not-supported", False),
    ("aborts: buffer overflow", aborts(1), BAD, "abort buffer-overflow", False),
    ("aborts: out of resources", aborts(9), BAD, "abort out-of-resources", False),
    ("errs: device busy", errs(3), None, "device-busy", False),
    ("errs: a number nobody published", errs(250), BAD, "error 250", False),
    ("errs without a word", on_polls(errs_without_a_word), BAD, "cannot be read", False),
    ("refuses all for one object", on_polls(refuses_all_for_one_object), BAD, "unknown-object", True),
    ("unknown object among others", with_value(b""), BAD, "unknown-object", True),
    ("garbled octets", on_polls(sends_garbled_octets), BAD, UNUSABLE, False),
    ("cut short after a name", on_polls(stops_after_the_first_object_name), BAD, UNUSABLE, False),
    ("cut short in the middle", on_polls(stops_in_the_middle), BAD, UNUSABLE, False),
    ("another object", on_polls(answers_for_another_object), BAD, "not asked", False),
    ("one object twice", on_polls(answers_twice_for_one_object), BAD, "twice", False),
    ("another service", on_polls(answers_with_another_service), BAD, "another kind", False),
    ("an acknowledgement without data", on_polls(acknowledges_without_data), BAD, "another kind", False),
    ("another invoke id", on_polls(answers_another_question), None, "no answer", False),
    ("leaves an object out", on_polls(leaves_one_object_out), BAD, "left it out", True),
    ("an Unsigned for a Real", with_value(b"\x21\x07"), BAD, f"{ODD} an Unsigned where a Real or a Double", True),
    ("a Null for a Real", with_value(b"\x00"), BAD, f"{ODD} Null", True),
    ("a text for a Real", with_value(b"\x75\x03\x00hi"), BAD, f"{ODD} a Character String", True),
    ("a list for a Real", with_value(peer.real(1.0) * 2), BAD, "a list", True),
    ("a Real of three octets", with_value(b"\x43\x01\x02\x03"), BAD, ODD, True),
    ("NaN", with_value(peer.real(float("nan"))), BAD, "no number (NaN)", True),
    ("infinite", with_value(peer.real(float("inf"))), BAD, "no number (infinite)", True),
    ("beyond its range", with_value(peer.real(1e13)), BAD, "1e+13 kW is outside 0..500 kW", True),
    ("in hand", with_value(peer.flags(2), prop=peer.STATUS_FLAGS), UNCERTAIN, "in hand at the device", True),
    (
        "out of service",
        with_value(peer.flags(1), prop=peer.STATUS_FLAGS),
        BAD,
        "out of service at the device (TEST)",
        True,
    ),
    ("faulty", is_faulty, BAD, "fault at the device: no-sensor", True),
    ("faulty and gives no reason", is_faulty_and_says_no_more, BAD, "fault at the device", True),
    ("no status flags", with_value(b"", prop=peer.STATUS_FLAGS), GOOD, "", True),
    ("every answer twice", answers_twice, GOOD, "", True),
    ("garbage before every answer", sends_garbage_first, GOOD, "", True),
]


def _plant(bad: Device, well: Device) -> Plant:
    subject, other = bacnet_device("BC-1", bad.port, 77), bacnet_device("BC-2", well.port, 78)
    return plant_of(
        (subject, other),
        (
            object_point("X", subject, "analog-input,1", low=0, high=500),
            object_point("Y", subject, "analog-input,2", low=0, high=500),
            object_point("Z", other, "analog-input,3", low=0, high=500),
        ),
    )


def _settled(outcomes: Outcomes) -> bool:
    return (
        all(f"{name}.power" in outcomes.readings or f"{name}.power" in outcomes.silent for name in "XY")
        and outcomes.told.get("Z.power", 0) >= 2
    )


@pytest.mark.parametrize(
    ("behaviour", "quality", "reason", "neighbour"), [row[1:] for row in TABLE], ids=[row[0] for row in TABLE]
)
async def test_each_misbehaviour_has_its_own_outcome_and_disturbs_nobody(
    behaviour: Behaviour, quality: Quality | None, reason: str, neighbour: bool
) -> None:
    tasks, sockets = len(asyncio.all_tasks()), open_sockets()
    async with (
        serving(behaviour) as bad,
        serving(honest, instance=78) as well,
        polling(_plant(bad, well), SystemClock()) as (_, outcomes),
    ):
        await outcomes.until(_settled)
        found, other, beside = outcomes.reading("X"), outcomes.reading("Z"), outcomes.reading("Y")
        assert (found.quality if found else None) == quality
        assert reason in outcomes.why("X")
        assert (beside is not None and beside.quality is GOOD) == neighbour
        assert other is not None
        assert (other.quality, other.value) == (GOOD, 30.0)
        if found is not None and found.usable:
            assert found.value == 10.0
        assert set(bad.services) <= {12, 14}
    await asyncio.sleep(0)
    assert (len(asyncio.all_tasks()), open_sockets()) == (tasks, sockets)


async def _error_of(behaviour: Behaviour) -> DriverError:
    async with serving(behaviour) as device, BacnetNetwork(Adapter(f"{LOOPBACK}/8", 0)) as network:
        reader = BacnetReader(network, bacnet_device("BC-1", device.port, 77, timeout_s=WITHIN_S))
        with pytest.raises(DriverError) as caught:
            await reader.read(ObjectBatch([object_key_of("analog-input", 1)]))
    return caught.value


@pytest.mark.parametrize(
    ("behaviour", "kind", "code"),
    [
        (says_nothing, DeviceSilent, ""),
        (answers_another_question, DeviceSilent, ""),
        (rejects, DeviceRefused, "unrecognized-service"),
        (aborts(4), DeviceRefused, "segmentation-not-supported"),
        (errs(31, 1), DeviceRefused, "unknown-object"),
        (sends_garbled_octets, ReplyUnusable, ""),
        (stops_in_the_middle, ReplyUnusable, ""),
        (answers_for_another_object, ReplyUnusable, ""),
        (acknowledges_without_data, ReplyUnusable, ""),
        (errs_without_a_word, ReplyUnusable, ""),
    ],
)
async def test_the_driver_names_each_failure_with_the_device_in_it(
    behaviour: Behaviour, kind: type[DriverError], code: str
) -> None:
    error = await _error_of(behaviour)
    assert (type(error), error.device, error.code) == (kind, "BC-1", code)


async def test_a_late_answer_is_never_taken_for_the_answer_of_the_next_question() -> None:
    late: list[bytes] = []

    def one_behind(device: Device, request: Request) -> list[bytes]:
        """Answer every question with the answer of the one before."""
        held, late[:] = late[:], [answer(request, {at: peer.real(float(len(device.asked))) for at in request.asked})]
        return held

    async with serving(one_behind) as device, BacnetNetwork(Adapter(f"{LOOPBACK}/8", 0)) as network:
        reader = BacnetReader(network, bacnet_device("BC-1", device.port, 77, timeout_s=0.05))
        for _ in range(3):
            with pytest.raises(DeviceSilent):
                await reader.read(ObjectBatch([object_key_of("analog-input", 1)]))


async def test_a_size_learned_from_an_abort_is_remembered_and_never_exceeded_again() -> None:
    async with serving(aborts_above(5), objects=40) as device:
        subject = bacnet_device("BC-1", device.port, 77)
        points = [object_point(f"P{number}", subject, f"analog-input,{number}") for number in range(1, 41)]
        async with polling(plant_of([subject], points), SystemClock()) as (running, outcomes):
            await outcomes.until(
                lambda seen: len(seen.readings) == 40 and all(one.quality is GOOD for one in seen.readings.values())
            )
            learned_at = len(device.asked)
            await outcomes.until(lambda seen: min(seen.told.values()) >= 3)
            sizes = {len(request.objects) for request in device.asked[learned_at:]}
            assert max(sizes) <= 5
            assert running.health()[0]["plans"][0]["learned"]["objects_max"] == 5


async def test_one_object_that_spoils_whole_answers_is_kept_out_and_its_point_stays_bad() -> None:
    async with serving(on_polls(refuses_all_for_one_object), objects=20) as device:
        subject = bacnet_device("BC-1", device.port, 77)
        points = [object_point(f"P{number}", subject, f"analog-input,{number}") for number in range(1, 21)]
        async with polling(plant_of([subject], points), SystemClock()) as (_, outcomes):
            await outcomes.until(lambda seen: len(seen.readings) == 20)
            learned_at = len(device.asked)
            await outcomes.until(lambda seen: min(seen.told.values()) >= 3)
            assert all(1 not in request.objects for request in device.asked[learned_at:])
            assert [name for name, one in outcomes.readings.items() if one.quality is BAD] == ["P1.power"]


async def test_another_device_at_the_address_is_noticed_and_gives_no_value() -> None:
    async with serving(honest, instance=500) as device:
        subject = bacnet_device("BC-1", device.port, 77)
        async with polling(plant_of([subject], [object_point("X", subject, "analog-input,1")]), SystemClock()) as (
            _,
            outcomes,
        ):
            await outcomes.until(lambda seen: seen.reading("X") is not None)
            found = outcomes.reading("X")
            assert found is not None
            assert found.quality is BAD
            assert found.reason.startswith(f"no BACnet device 77 at {LOOPBACK}:{device.port}")


async def test_a_port_in_use_is_refused_with_port_address_and_remedy_before_anything_is_asked() -> None:
    async with serving(honest) as device:
        taken = exclusive_socket(LOOPBACK, 0)
        port = taken.getsockname()[1]
        subject = bacnet_device("BC-1", device.port, 77)
        plant = plant_of(
            [subject], [object_point("X", subject, "analog-input,1")], adapter=Adapter(f"{LOOPBACK}/8", port)
        )
        with (
            taken,
            pytest.raises(StartRefused, match=rf"UDP port {port} on {LOOPBACK} is taken .* -> .*choose another port"),
        ):
            await Polling(plant, SystemClock(), Outcomes().take).run()
        assert device.asked == []


async def test_an_address_of_another_computer_is_refused_with_the_remedy() -> None:
    subject = bacnet_device("BC-1", 1, 77)
    plant = plant_of([subject], [object_point("X", subject, "analog-input,1")], adapter=Adapter("192.0.2.1/24", 0))
    with pytest.raises(StartRefused, match=r"no address 192\.0\.2\.1 -> correct \[bacnet\] address"):
        await Polling(plant, SystemClock(), Outcomes().take).run()


async def test_a_device_on_our_own_loopback_port_is_refused_since_it_would_be_answered_by_ourselves() -> None:
    probe = exclusive_socket(LOOPBACK, 0)
    port = probe.getsockname()[1]
    probe.close()
    subject = bacnet_device("BC-1", port, 77)
    plant = plant_of([subject], [object_point("X", subject, "analog-input,1")], adapter=Adapter(f"{LOOPBACK}/8", port))
    with pytest.raises(StartRefused, match=f"share port {port}"):
        await Polling(plant, SystemClock(), Outcomes().take).run()


async def test_a_cancelled_exchange_leaves_neither_transaction_nor_task_behind() -> None:
    async with serving(says_nothing) as device, BacnetNetwork(Adapter(f"{LOOPBACK}/8", 0)) as network:
        before = len(asyncio.all_tasks())
        reader = BacnetReader(network, bacnet_device("BC-1", device.port, 77, timeout_s=5.0))
        task = asyncio.create_task(reader.read(ObjectBatch([object_key_of("analog-input", 1)])))
        while not device.asked:  # noqa: ASYNC110 - the device keeps a list, not an event
            await asyncio.sleep(0.001)
        task.cancel()
        with pytest.raises(asyncio.CancelledError):
            await task
        await asyncio.sleep(0)
        assert (network._application.asap.clientTransactions, network._application._requests) == ([], {})
        assert len(asyncio.all_tasks()) == before


async def test_the_network_asks_by_read_services_and_nothing_else() -> None:
    """ReadProperty 12, ReadPropertyMultiple 14, ReadRange 26, GetEventInformation 29: ANSI/ASHRAE 135 clause 21."""
    async with BacnetNetwork(Adapter(f"{LOOPBACK}/8", 0)) as network:
        for service in set(range(35)) - {12, 14, 26, 29}:
            with pytest.raises(ValueError, match="is no read"):
                await network.ask("BC-1", (LOOPBACK, 1), service, b"", within_s=0.05, trace=lambda _: None)


async def test_the_honest_device_is_a_fair_peer_for_an_independent_client() -> None:
    """bacpypes3's own typed client reads from our test device what it serves."""
    from bacpypes3.ipv4.app import NormalApplication
    from bacpypes3.local.device import DeviceObject
    from bacpypes3.pdu import IPv4Address

    async with serving(honest) as device:
        client = NormalApplication(
            DeviceObject(objectIdentifier=("device", 1), objectName="c", vendorIdentifier=0),
            IPv4Address(f"{LOOPBACK}:0"),
        )
        try:
            value = await client.read_property(f"{LOOPBACK}:{device.port}", "analog-input,2", "present-value")
            several = await client.read_property_multiple(
                f"{LOOPBACK}:{device.port}", ["analog-input,3", ["present-value", "status-flags"]]
            )
        finally:
            client.close()
            await asyncio.sleep(0)
    assert value == 20.0
    assert several[0][3] == 30.0
    assert list(several[1][3]) == [0, 0, 0, 0]
    assert struct.unpack(">f", peer.real(30.0)[1:]) == (30.0,)
