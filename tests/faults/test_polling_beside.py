"""What is asked beside the values: it never misleads, never comes twice, and never costs a value."""

from __future__ import annotations

import asyncio
import dataclasses
import struct
from collections.abc import Callable
from types import SimpleNamespace
from typing import Any, cast

import pytest

from plantview.clock import SystemClock
from plantview.drivers.bacnet_codec import Answer, object_key_of
from plantview.drivers.bacnet_network import BacnetNetwork
from plantview.drivers.bacnet_reader import BacnetReader
from plantview.drivers.bacnet_slow import LogPage, LogSample, decode_events
from plantview.errors import DeviceRefused
from plantview.model.device_event import DeviceEvent, Transition
from plantview.model.point import BacnetAddress, Point
from plantview.model.quality import Quality
from plantview.polling import Polling
from plantview.polling.backfill import PAGE_RECORDS, Gaps
from plantview.polling.cov import LIFETIME_S, Subscriptions
from plantview.polling.device_clock import dated
from plantview.polling.outlets import Backfilled
from plantview.polling.roll_call import RollCall
from tests.faults import bacnet_device as peer
from tests.faults.bacnet_device import Device, Request, honest, honest_values, serving
from tests.faults.polled import Outcomes, bacnet_device, object_point, plant_of, polling

DEVICE = bacnet_device("BC-1", 47_808, 77)
KEY = object_key_of("binary-input", 1)
T0 = 1_764_000_000_000


class Subscribed:
    """Stands where the reader stands, and keeps what is subscribed to."""

    def __init__(self, *, refuses: bool = False) -> None:
        self.asked: list[int] = []
        self.refuses = refuses

    async def subscribe(self, process: int, key: int, lifetime_s: int) -> None:
        self.asked.append(key)
        if self.refuses:
            raise DeviceRefused(
                "BC-1", "refused by the device: error cov-subscription-failed", code="cov-subscription-failed"
            )


async def test_a_subscription_is_renewed_at_half_its_life_and_not_before() -> None:
    reader = Subscribed()
    changes = Subscriptions(reader, 1, [KEY])  # type: ignore[arg-type]
    assert [await changes.renew_one(now_s) for now_s in (1.0, 2.0, LIFETIME_S / 2, LIFETIME_S / 2 + 1.1)] == [
        True,
        False,
        False,
        True,
    ]
    assert reader.asked == [KEY, KEY]


async def test_a_change_that_only_the_poll_sees_twice_proves_the_subscription_dead() -> None:
    reader = Subscribed()
    changes = Subscriptions(reader, 1, [KEY])  # type: ignore[arg-type]
    await changes.renew_one(1.0)
    changes.polled({KEY: Answer(0.0, 0)})
    changes.polled({KEY: Answer(1.0, 0)})
    assert changes.missed == 0, "the notification may be on its way"
    changes.told(KEY, Answer(1.0, 0))
    changes.polled({KEY: Answer(1.0, 0)})
    assert not await changes.renew_one(2.0)
    for _ in range(2):
        changes.polled({KEY: Answer(0.0, 0)})
    assert changes.missed == 1
    assert await changes.renew_one(3.0), "renewed at once"


async def test_a_refused_subscription_is_left_alone_for_an_hour_and_counted() -> None:
    changes = Subscriptions(Subscribed(refuses=True), 1, [KEY])  # type: ignore[arg-type]
    await changes.renew_one(1.0)
    assert not await changes.renew_one(3_500.0)
    assert changes.as_dict()["refused"] == 1
    for value in (0.0, 1.0, 1.0, 0.0, 0.0):
        changes.polled({KEY: Answer(value, 0)})
    assert changes.missed == 0, "nothing was promised"


class Logged:
    """A trend log of one record a minute behind a reader, whose pages overlap by one record."""

    def __init__(self, count: int, *, clock_ahead_ms: int = 0, holes: frozenset[int] = frozenset()) -> None:
        self.samples = [LogSample(9_001 + n, T0 + 60_000 * n + clock_ahead_ms, float(n), 0) for n in range(count)]
        self.holes = holes
        self.pages = 0

    async def log_page(self, request: bytes) -> LogPage:
        at = max(0, self.pages * (PAGE_RECORDS - 1))
        self.pages += 1
        page = self.samples[at : at + PAGE_RECORDS]
        numbers = tuple(one for one in page if one.sequence not in self.holes)
        return LogPage(numbers, len(page), page[0].sequence if page else 0, at + PAGE_RECORDS >= len(self.samples))


def _logged_point() -> Point:
    base = object_point("X", DEVICE, "analog-input,1", low=0, high=1_000)
    return dataclasses.replace(base, address=BacnetAddress("analog-input", 1, trend_log=3))


async def _filled(log: Logged, from_min: float, to_min: float, *, offset_ms: int = 0) -> Backfilled | None:
    gaps = Gaps("BC-1", "UTC")
    gaps.open((_logged_point(),), round(T0 + 60_000 * from_min), round(T0 + 60_000 * to_min))
    filled = None
    while gaps.waiting:
        filled = await gaps.page(log, offset_ms)  # type: ignore[arg-type]
    return filled


async def test_an_outage_is_filled_with_what_lies_inside_it_and_nothing_else_each_once() -> None:
    filled = await _filled(Logged(200), 10.5, 130.0)
    assert filled is not None
    assert (filled.point, filled.source) == ("X.power", "trend-log,3 of BC-1")
    assert [one.value for one in filled.readings] == [float(n) for n in range(11, 130)]
    assert [one.at_ms for one in filled.readings] == [T0 + 60_000 * n for n in range(11, 130)]


async def test_times_are_corrected_by_the_clock_offset_of_the_device() -> None:
    filled = await _filled(Logged(30, clock_ahead_ms=90_000), 4.5, 8.5, offset_ms=90_000)
    assert filled is not None
    assert {one.at_ms: one.value for one in filled.readings} == {T0 + 60_000 * n: float(n) for n in (5, 6, 7, 8)}


async def test_records_without_a_number_are_left_out_and_values_are_judged_as_if_polled() -> None:
    log = Logged(20, holes=frozenset({9_005}))
    log.samples[6] = LogSample(9_007, T0 + 360_000, 6.0, 0b0010)
    log.samples[7] = LogSample(9_008, T0 + 420_000, 5_000.0, 0)
    filled = await _filled(log, 2.5, 8.5)
    assert filled is not None
    assert [one.quality for one in filled.readings] == [
        Quality.GOOD,
        Quality.GOOD,
        Quality.UNCERTAIN,
        Quality.BAD,
        Quality.GOOD,
    ]


async def test_a_refused_trend_log_is_given_up_and_said() -> None:
    async def refuses(request: bytes) -> LogPage:
        raise DeviceRefused("BC-1", "refused by the device: error unknown-object", code="unknown-object")

    gaps = Gaps("BC-1", "UTC")
    gaps.open((_logged_point(),), T0, T0 + 600_000)
    assert await gaps.page(SimpleNamespace(log_page=refuses), 0) is None  # type: ignore[arg-type]
    assert not gaps.waiting
    assert gaps.trouble == "trend-log,3: refused by the device: error unknown-object"


def _clocked(device: Device, request: Request) -> list[bytes]:
    """Answer as an honest device that also tells a clock, a trend log of its own recent minutes, and no events."""
    if request.service == 26:
        return [_log_page(request)]
    values = honest_values(device, request)
    now = _utc_parts()
    for key, prop in values:
        if prop == 56:
            values[key, prop] = b"\xa4" + bytes((now[0] - 1_900, now[1], now[2], 255))
        elif prop == 57:
            values[key, prop] = b"\xb4" + bytes(now[3:])
    return [peer.answer(request, values)]


def _utc_parts(back_ms: int = 0) -> tuple[int, ...]:
    from datetime import UTC, datetime

    at = datetime.fromtimestamp((SystemClock().now_ms() - back_ms) / 1_000, UTC)
    return at.year, at.month, at.day, at.hour, at.minute, at.second, at.microsecond // 10_000


def _log_page(request: Request) -> bytes:
    """Return three records of the last 300 ms as ANSI/ASHRAE 135 clause 15.8 writes them (from memory)."""
    records = b""
    for back_ms in (300, 200, 100):
        year, month, day, hour, minute, second, hundredths = _utc_parts(back_ms)
        stamp = b"\xa4" + bytes((year - 1_900, month, day, 255)) + b"\xb4" + bytes((hour, minute, second, hundredths))
        records += b"\x0e" + stamp + b"\x0f\x1e\x2c" + struct.pack(">f", float(back_ms)) + b"\x1f"
    head = b"\x0c" + (20 << 22 | 3).to_bytes(4, "big") + b"\x19\x83" + b"\x3a\x05\xc0" + b"\x49\x03"
    return bytes((0x30, request.invoke, 26)) + head + b"\x5e" + records + b"\x5f" + b"\x6a\x23\x29"


async def test_after_an_outage_the_missing_samples_are_handed_on_with_their_source() -> None:
    silent = asyncio.Event()
    filled: list[Backfilled] = []

    def sometimes(device: Device, request: Request) -> list[bytes]:
        return [] if silent.is_set() else _clocked(device, request)

    async with serving(sometimes) as device:
        subject = bacnet_device("BC-1", device.port, 77, period_s=0.1, timeout_s=0.05)
        point = dataclasses.replace(
            object_point("X", subject, "analog-input,1"), address=BacnetAddress("analog-input", 1, trend_log=3)
        )
        outcomes = Outcomes()
        running = Polling(plant_of([subject], [point]), SystemClock(), outcomes.take, backfill=filled.append)
        task = asyncio.create_task(running.run())
        await outcomes.until(lambda seen: seen.told.get("X.power", 0) >= 2)
        silent.set()
        await outcomes.until(lambda seen: "X.power" in seen.silent)
        await asyncio.sleep(0.5)
        silent.clear()
        await outcomes.until(lambda _: bool(filled))
        task.cancel()
        await asyncio.gather(task, return_exceptions=True)
    assert {one.source for one in filled} == {"trend-log,3 of BC-1"}
    assert {reading.value for one in filled for reading in one.readings} <= {100.0, 200.0, 300.0}
    assert set(device.services) == {12, 14, 26}


async def test_after_our_own_restart_the_time_since_the_last_stored_value_is_filled_once() -> None:
    filled: list[Backfilled] = []
    clock = SystemClock()
    async with serving(_clocked) as device:
        subject = bacnet_device("BC-1", device.port, 77, period_s=0.1)
        outcomes = Outcomes()
        running = Polling(plant_of([subject], [_logged_point()]), clock, outcomes.take, backfill=filled.append)
        begin_ms = clock.now_ms()
        running.heard_until({"BC-1": begin_ms - 5_000})
        task = asyncio.create_task(running.run())
        await outcomes.until(lambda _: bool(filled))
        count = outcomes.told["X.power"]
        await outcomes.until(lambda seen: seen.told["X.power"] >= count + 3)
        task.cancel()
        await asyncio.gather(task, return_exceptions=True)
    (one,) = filled
    assert one.source == "trend-log,3 of BC-1"
    assert {reading.value for reading in one.readings} <= {100.0, 200.0, 300.0}
    assert all(begin_ms - 5_000 < reading.at_ms for reading in one.readings)


async def test_without_a_taker_no_trend_log_and_no_event_is_asked_for() -> None:
    async with serving(_clocked) as device:
        subject = bacnet_device("BC-1", device.port, 77, period_s=0.1)
        point = dataclasses.replace(
            object_point("X", subject, "analog-input,1"), address=BacnetAddress("analog-input", 1, trend_log=3)
        )
        async with polling(plant_of([subject], [point]), SystemClock()) as (_, outcomes):
            await outcomes.until(lambda seen: seen.told.get("X.power", 0) >= 4)
    assert set(device.services) == {12, 14}


def _events(request: Request, name: str = "analog-input,2") -> bytes:
    """Return one object in high-limit whose to-offnormal nobody acknowledged: bacpypes3's encoder writes it.

    Its three stamps are of the three kinds there are: a date with time, a time of day, a counter.
    """
    from bacpypes3.apdu import GetEventInformationACK
    from bacpypes3.basetypes import DateTime, EventTransitionBits, GetEventInformationEventSummary, TimeStamp
    from bacpypes3.primitivedata import Date, ObjectIdentifier, Time

    noon = DateTime(date=Date((126, 3, 14, 255)), time=Time((12, 0, 30, 50)))
    summary = GetEventInformationEventSummary(
        objectIdentifier=ObjectIdentifier(name),
        eventState="high-limit",
        acknowledgedTransitions=EventTransitionBits([0, 1, 1]),
        eventTimeStamps=[TimeStamp(dateTime=noon), TimeStamp(time=Time((1, 2, 3, 4))), TimeStamp(sequenceNumber=7)],
        notifyType="alarm",
        eventEnable=EventTransitionBits([1, 1, 0]),
        eventPriorities=[3, 4, 5],
    )
    body = GetEventInformationACK(listOfEventSummaries=[summary], moreEvents=False).encode().pduData
    return bytes((0x30, request.invoke, 29)) + bytes(body)


NOON_MS = 1_773_489_630_500
"""14 March 2026, 12:00:30.50 as if it were UTC; ``date -u -d '2026-03-14 12:00:30' +%s`` of GNU coreutils."""


def _high_limit(at_ms: int | None, clock_offset_ms: int | None) -> DeviceEvent:
    return DeviceEvent(
        "BC-1",
        "analog-input,2",
        "high-limit",
        "alarm",
        (
            Transition("to-offnormal", False, True, 3, local_ms=NOON_MS, at_ms=at_ms),
            Transition("to-fault", True, True, 4),
            Transition("to-normal", True, False, 5, sequence=7),
        ),
        clock_offset_ms,
    )


async def test_what_a_device_considers_in_alarm_is_asked_for_and_never_subscribed_to() -> None:
    def with_events(device: Device, request: Request) -> list[bytes]:
        return [_events(request)] if request.service == 29 else honest(device, request)

    told: dict[str, tuple[DeviceEvent, ...]] = {}
    async with serving(with_events) as device:
        subject = bacnet_device("BC-1", device.port, 77, period_s=0.1)
        outcomes = Outcomes()
        running = Polling(
            plant_of([subject], [object_point("X", subject, "analog-input,1")]),
            SystemClock(),
            outcomes.take,
            events=told.__setitem__,
        )
        task = asyncio.create_task(running.run())
        await outcomes.until(lambda _: bool(told))
        task.cancel()
        await asyncio.gather(task, return_exceptions=True)
    assert told == {"BC-1": (_high_limit(None, None),)}, "a device without a clock has no times that could be trusted"
    assert set(device.services) == {12, 14, 29}


class Enrolled:
    """A device with one event enrollment in alarm; what that watches is ``reference``, or a refusal."""

    def __init__(self, reference: str, owner: int | None = None) -> None:
        self._reference, self._owner = reference, owner
        self.asked: list[int] = []

    async def ask(self, device: str, _place: object, service: int, _payload: bytes, **_: object) -> bytes:
        self.asked.append(service)
        if service == 29:
            return _events(Request(0, 29, ()), "event-enrollment,2")[3:]
        if not self._reference:
            raise DeviceRefused(device, "refused by the device: error unknown-property", code="unknown-property")
        return _referring(self._reference, self._owner)


def _referring(reference: str, owner: int | None) -> bytes:
    from bacpypes3.apdu import ReadPropertyACK
    from bacpypes3.basetypes import DeviceObjectPropertyReference

    more: dict[str, Any] = {} if owner is None else {"deviceIdentifier": f"device,{owner}"}
    value = DeviceObjectPropertyReference(objectIdentifier=reference, propertyIdentifier="present-value", **more)
    answer = ReadPropertyACK(
        objectIdentifier="event-enrollment,2", propertyIdentifier="object-property-reference", propertyValue=value
    )
    return bytes(answer.encode().pduData)


@pytest.mark.parametrize(
    ("reference", "owner", "watches"),
    [
        ("analog-input,9", None, "analog-input,9"),
        ("analog-input,9", 77, "analog-input,9"),
        ("analog-input,9", 78, ""),
        ("", None, ""),
    ],
)
async def test_what_an_event_enrollment_watches_is_asked_once_and_a_refusal_costs_no_event(
    reference: str, owner: int | None, watches: str
) -> None:
    network = Enrolled(reference, owner)
    reader = BacnetReader(cast("BacnetNetwork", network), bacnet_device("BC-1", 1, 77))
    told = [await reader.events() for _ in range(2)]
    assert [[(one.object_name, one.watches) for one in events] for events in told] == [
        [("event-enrollment,2", watches)]
    ] * 2
    assert network.asked == [29, 12, 29]


def test_the_times_of_an_event_are_corrected_by_zone_and_clock_offset_of_its_device() -> None:
    raw = _high_limit(None, None)
    hour_ms = 3_600_000
    # 14 March 2026 is past the change of 8 March: Chicago is five hours behind UTC (IANA time zone data)
    assert dated(raw, "America/Chicago", 90_000, NOON_MS) == _high_limit(NOON_MS + 5 * hour_ms - 90_000, 90_000)
    assert dated(raw, "America/Chicago", None, NOON_MS) == raw


def test_an_event_says_which_transition_led_to_its_state_and_which_are_open() -> None:
    event = _high_limit(NOON_MS, 0)
    assert event.active
    assert event.unacknowledged == ("to-offnormal",)
    assert event.latest is event.transitions[0]
    back = dataclasses.replace(event, state="normal")
    assert not back.active
    assert back.latest is event.transitions[2]
    assert dataclasses.replace(event, state="fault").latest is event.transitions[1]


def test_an_empty_list_of_events_is_no_event() -> None:
    assert decode_events(bytes.fromhex("0e0f1900"), "BC-1") == ((), None)


class Announced:
    """Stands where the network stands; who answers a Who-Is is told by hand."""

    def __init__(self) -> None:
        self.heard_i_am: Callable[[str, object], None] | None = None
        self.asked: list[int] = []

    async def who_is(self, instance: int) -> None:
        self.asked.append(instance)

    def announce(self, source: str, instance: int) -> None:
        assert self.heard_i_am is not None
        self.heard_i_am(source, SimpleNamespace(iAmDeviceIdentifier=("device", instance)))


def _rolled(*, silent: bool = False) -> tuple[RollCall, Announced, SimpleNamespace]:
    health = SimpleNamespace(notices={})
    station = SimpleNamespace(device=DEVICE, heard_as="192.168.1.5", silent=silent, claimed_by="", health=health)
    network = Announced()
    return RollCall(network, [station], pause_s=0.01), network, station  # type: ignore[arg-type,list-item]


async def _round(roll: RollCall, network: Announced, sources: list[str]) -> None:
    task = asyncio.create_task(roll.run())
    while not network.asked:  # noqa: ASYNC110 - a list, not an event
        await asyncio.sleep(0)
    for source in sources:
        network.announce(source, DEVICE.unit)
    task.cancel()
    await asyncio.gather(task, return_exceptions=True)


async def test_a_second_device_with_the_same_instance_is_quarantined_and_listed() -> None:
    roll, network, station = _rolled()
    await _round(roll, network, ["192.168.1.5", "192.168.1.9"])
    assert roll.duplicates() == [{"instance": 77, "device": "BC-1", "quarantined": ["192.168.1.9"]}]
    assert station.health.notices["instance"].startswith("BACnet device 77 exists twice, also at 192.168.1.9 -> ")


async def test_one_answer_from_where_it_belongs_is_as_it_should_be() -> None:
    roll, network, station = _rolled()
    await _round(roll, network, ["192.168.1.5", "192.168.1.5"])
    assert (roll.duplicates(), station.health.notices) == ([], {})


async def test_a_silent_device_that_answers_elsewhere_has_moved() -> None:
    roll, network, station = _rolled(silent=True)
    await _round(roll, network, ["100:7"])
    assert roll.duplicates() == []
    assert station.health.notices["instance"] == "BACnet device 77 answers at 100:7 now -> correct its address"


async def test_readings_of_a_device_that_exists_twice_are_marked_until_it_no_longer_does() -> None:
    async with serving(honest) as device:
        subject = bacnet_device("BC-1", device.port, 77)
        async with polling(plant_of([subject], [object_point("X", subject, "analog-input,1")]), SystemClock()) as (
            running,
            outcomes,
        ):
            await outcomes.until(lambda seen: "X.power" in seen.readings)
            station = running._stations["BC-1"]
            station.claimed_by = "192.168.1.9"  # type: ignore[attr-defined]
            await outcomes.until(lambda seen: seen.readings["X.power"].quality is Quality.UNCERTAIN)
            assert outcomes.readings["X.power"].reason == "device 77 exists twice: also at 192.168.1.9"
            assert outcomes.readings["X.power"].value == 10.0
            station.claimed_by = ""  # type: ignore[attr-defined]
            await outcomes.until(lambda seen: seen.readings["X.power"].quality is Quality.GOOD)
