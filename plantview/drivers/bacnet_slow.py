"""What is asked of a BACnet device now and then: its clock, its trend logs, its events, a COV subscription.

Encoded and decoded by bacpypes3's typed services; a value here costs microseconds that nobody misses.
"""

from __future__ import annotations

import calendar
import math
from collections.abc import Callable
from dataclasses import dataclass
from datetime import UTC, datetime
from typing import Any, Final, TypeVar

from bacpypes3.apdu import (
    ComplexAckPDU,
    GetEventInformationACK,
    GetEventInformationRequest,
    ReadPropertyACK,
    ReadRangeACK,
    ReadRangeRequest,
    SubscribeCOVRequest,
)
from bacpypes3.basetypes import (
    DateTime,
    DeviceObjectPropertyReference,
    LogRecord,
    Range,
    RangeBySequenceNumber,
    RangeByTime,
)
from bacpypes3.constructeddata import SequenceOf
from bacpypes3.primitivedata import Date, ObjectIdentifier, Time

from plantview.drivers.bacnet_codec import Item, value_of
from plantview.drivers.bacnet_tags import Malformed
from plantview.drivers.bacnet_words import event_state_word, object_word
from plantview.model.device_event import TRANSITIONS, DeviceEvent, Transition

LOG_BUFFER: Final = "log-buffer"
_UNSPECIFIED: Final = 255
_LAST_FLAG: Final = 1
_Decoded = TypeVar("_Decoded")


@dataclass(frozen=True, slots=True)
class LogSample:
    """One record of a trend log that holds a number."""

    sequence: int
    local_ms: int
    """The device's own local time as if it were UTC: its zone and its error are the caller's to remove."""
    value: float
    flags: int
    """Status flags as in an answer to a poll."""


@dataclass(frozen=True, slots=True)
class LogPage:
    """One answer to ReadRange."""

    samples: tuple[LogSample, ...]
    items: int
    first: int
    """Sequence number of the first record of the answer, those without a number included; 0 if unknown."""
    last: bool
    """Whether the newest record is in it."""


def encode_page(trend_log: int, sequence: int, count: int) -> bytes:
    """Return the ReadRange request for ``count`` records from a sequence number."""
    by = RangeBySequenceNumber(referenceSequenceNumber=sequence, count=count)
    return _read_range(trend_log, Range(bySequenceNumber=by))


def encode_since(trend_log: int, local_ms: int, count: int) -> bytes:
    """Return the ReadRange request for ``count`` records newer than a local time of the device."""
    at = datetime.fromtimestamp(local_ms / 1_000, UTC)
    when = DateTime(
        date=Date((at.year - 1_900, at.month, at.day, at.isoweekday())),
        time=Time((at.hour, at.minute, at.second, at.microsecond // 10_000)),
    )
    return _read_range(trend_log, Range(byTime=RangeByTime(referenceTime=when, count=count)))


def _read_range(trend_log: int, part: Range) -> bytes:
    request = ReadRangeRequest(
        objectIdentifier=ObjectIdentifier(f"trend-log,{trend_log}"), propertyIdentifier=LOG_BUFFER, range=part
    )
    return bytes(request.encode().pduData)


def decode_page(octets: bytes) -> LogPage:
    """Return the records of one answer; Malformed if it is none."""

    def typed() -> LogPage:
        answer = _acknowledged(ReadRangeACK, 26, octets)
        count = int(answer.itemCount)
        records = answer.itemData.cast_out(SequenceOf(LogRecord)) if count else []
        first = int(answer.firstSequenceNumber or 0)
        numbered = ((first + place, record) for place, record in enumerate(records))
        samples = tuple(one for number, record in numbered if (one := _sample(number, record)) is not None)
        return LogPage(samples, count, first, bool(list(answer.resultFlags)[_LAST_FLAG]))

    return _checked(typed)


def _sample(sequence: int, record: Any) -> LogSample | None:  # noqa: ANN401 - bacpypes3 has no types
    choice = record.logDatum._choice  # noqa: SLF001 - it has no other way to say which
    if choice not in {"booleanValue", "realValue", "enumValue", "unsignedValue", "signedValue"}:
        return None  # log disabled, buffer purged, a failure, a change of the clock
    value = float(getattr(record.logDatum, choice))
    local_ms = local_ms_of(bytes(_octets(record.timestamp.date)), bytes(_octets(record.timestamp.time)))
    if local_ms is None or not math.isfinite(value):
        return None
    flags = 0
    if record.statusFlags is not None:
        flags = int("".join(str(int(bit)) for bit in list(record.statusFlags)[:4]), 2)
    return LogSample(sequence, local_ms, value, flags)


def _octets(four: Any) -> tuple[int, ...]:  # noqa: ANN401 - bacpypes3 has no types
    return tuple(four)[:4]


def local_ms_of(date: bytes, time: bytes) -> int | None:
    """Return a Date and a Time of four octets each as milliseconds, as if they were UTC; None if any part is unspecified."""
    if len(date) != 4 or len(time) != 4 or _UNSPECIFIED in (*date[:3], *time):
        return None
    year, month, day = date[0] + 1_900, date[1], date[2]
    hour, minute, second, hundredths = time
    if not (1 <= month <= 12 and 1 <= day <= 31 and hour < 24 and minute < 60 and second < 60):
        return None
    return calendar.timegm((year, month, day, hour, minute, second)) * 1_000 + hundredths * 10


def encode_events(after_key: int | None) -> bytes:
    """Return the GetEventInformation request, for what follows the object ``after_key``."""
    after = None if after_key is None else ObjectIdentifier((after_key >> 22, after_key & 0x3FFFFF))
    return bytes(GetEventInformationRequest(lastReceivedObjectIdentifier=after).encode().pduData)


def decode_events(octets: bytes, device: str) -> tuple[tuple[DeviceEvent, ...], int | None]:
    """Return the events of one answer, and the object after which to ask for more (None: that was all)."""

    def typed() -> tuple[tuple[DeviceEvent, ...], int | None]:
        answer = _acknowledged(GetEventInformationACK, 29, octets)
        found = list(answer.listOfEventSummaries)
        last = found[-1].objectIdentifier if found and answer.moreEvents else None
        key = None if last is None else int(last[0]) << 22 | int(last[1])
        return tuple(_event(device, one) for one in found), key

    return _checked(typed)


def decode_watched(octets: bytes, instance: int) -> str:
    """Return the object that an event enrollment of device ``instance`` watches; empty where it is another device's."""

    def typed() -> str:
        found = _acknowledged(ReadPropertyACK, 12, octets).propertyValue.cast_out(DeviceObjectPropertyReference)
        owner = found.deviceIdentifier
        kind, number = found.objectIdentifier
        return f"{object_word(int(kind))},{int(number)}" if owner is None or int(owner[1]) == instance else ""

    return _checked(typed)


def _event(device: str, summary: Any) -> DeviceEvent:  # noqa: ANN401 - bacpypes3 has no types
    kind, instance = summary.objectIdentifier
    parts = (
        TRANSITIONS, list(summary.acknowledgedTransitions), list(summary.eventEnable),
        list(summary.eventPriorities), list(summary.eventTimeStamps),
    )  # fmt: skip
    transitions = tuple(
        Transition(word, bool(done), bool(enabled), int(priority), *_stamp(stamp))
        for word, done, enabled, priority, stamp in zip(*parts, strict=True)
    )
    name = f"{object_word(int(kind))},{int(instance)}"
    return DeviceEvent(device, name, event_state_word(int(summary.eventState)), str(summary.notifyType), transitions)


def _stamp(stamp: Any) -> tuple[int | None, None, int | None]:  # noqa: ANN401 - bacpypes3 has no types
    """Return local time, no UTC yet, and counter of a time stamp; a time without a date is no moment."""
    if stamp.sequenceNumber is not None:
        return None, None, int(stamp.sequenceNumber)
    if stamp.dateTime is None:
        return None, None, None
    when = stamp.dateTime
    return local_ms_of(bytes(_octets(when.date)), bytes(_octets(when.time))), None, None


def encode_subscribe(process: int, key: int, lifetime_s: int) -> bytes:
    """Return the SubscribeCOV request for unconfirmed notifications: a confirmed one would make the device wait for us."""
    request = SubscribeCOVRequest(
        subscriberProcessIdentifier=process, monitoredObjectIdentifier=ObjectIdentifier((key >> 22, key & 0x3FFFFF)),
        issueConfirmedNotifications=False, lifetime=lifetime_s,
    )  # fmt: skip
    return bytes(request.encode().pduData)


def change_of(notification: Any) -> tuple[int, int, dict[int, Item]]:  # noqa: ANN401 - bacpypes3 has no types
    """Return process, object key, and the polled properties of a COV notification; Malformed if it holds none."""

    def typed() -> tuple[int, int, dict[int, Item]]:
        kind, instance = notification.monitoredObjectIdentifier
        key = int(kind) << 22 | int(instance)
        values: dict[int, Item] = {}
        for one in notification.listOfValues:
            number = int(one.propertyIdentifier)
            values[number] = value_of(bytes(one.value.tagList.encode().pduData), key, number)
        return int(notification.subscriberProcessIdentifier), key, values

    return _checked(typed)


def _acknowledged(kind: Any, service: int, octets: bytes) -> Any:  # noqa: ANN401 - bacpypes3 has no types
    answer = ComplexAckPDU(service, 1)
    answer.put_data(octets)
    return kind.decode(answer)


def _checked(typed: Callable[[], _Decoded]) -> _Decoded:
    """Turn whatever a typed decoder makes of odd octets into Malformed: the border to bacpypes3's decoding."""
    try:
        return typed()
    except Malformed:
        raise
    except Exception as error:
        raise Malformed(f"{type(error).__name__}: {error}") from error
