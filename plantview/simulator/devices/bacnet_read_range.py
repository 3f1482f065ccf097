"""ReadRange: the answer is put together from the records as they are kept (ANSI/ASHRAE 135, clause 15.8)."""

from __future__ import annotations

from typing import Any, Final

from bacpypes3.apdu import ComplexAckPDU
from bacpypes3.errors import ObjectError, PropertyError, ServicesError
from bacpypes3.primitivedata import ObjectIdentifier

from plantview.simulator.devices.bacnet_logs import KeptLog
from plantview.simulator.devices.device_clock import python_date_time
from plantview.simulator.devices.log_records import Part, Records
from plantview.simulator.devices.profiles import OCTETS, READ_RANGE

LOG_BUFFER: Final = 131
FRAME_OCTETS: Final = 28
"""Most octets of an answer besides its records."""

Request = Any
"""A decoded request, a part of it or an object: the protocol stack has no type information."""


def read_range(apdu: Request, found: Request) -> ComplexAckPDU:
    """Return the answer about the object ``found``, no longer than the asker takes in one piece."""
    if found is None:
        raise ObjectError("unknownObject")
    if not isinstance(found, KeptLog) or int(apdu.propertyIdentifier) != LOG_BUFFER:
        known = found.get_property_type(apdu.propertyIdentifier)
        raise ServicesError("propertyIsNotAList") if known else PropertyError("unknownProperty")
    if apdu.propertyArrayIndex is not None:
        raise PropertyError("propertyIsNotAnArray")
    answer = ComplexAckPDU(service_choice=READ_RANGE, context=apdu)
    room = OCTETS[min(apdu.apduMaxResp, len(OCTETS) - 1)] - FRAME_OCTETS
    answer.put_data(_encoded(apdu.objectIdentifier, _part(apdu.range, found.records, room), apdu.range))
    return answer


def _part(asked: Request, records: Records, room: int) -> Part:
    if asked is None:
        return records.everything(room)
    if asked.byPosition is not None:
        return records.by_position(asked.byPosition.referenceIndex, _count(asked.byPosition), room)
    if asked.bySequenceNumber is not None:
        return records.by_sequence(asked.bySequenceNumber.referenceSequenceNumber, _count(asked.bySequenceNumber), room)
    try:
        at = python_date_time(asked.byTime.referenceTime)
    except ValueError:
        raise ServicesError("parameterOutOfRange") from None
    return records.by_time(at, _count(asked.byTime), room)


def _count(reference: Request) -> int:
    if reference.count == 0:
        raise ServicesError("parameterOutOfRange")
    return int(reference.count)


def _encoded(log: ObjectIdentifier, part: Part, asked: Request) -> bytes:
    flags = part.first_item << 7 | part.last_item << 6 | part.more_items << 5
    octets = (
        b"\x0c" + ((int(log[0]) << 22) | int(log[1])).to_bytes(4, "big") + bytes((0x19, LOG_BUFFER, 0x3A, 0x05, flags))
    )
    octets += _unsigned(4, len(part.records)) + b"\x5e" + b"".join(record.octets for record in part.records) + b"\x5f"
    numbered = part.records and asked is not None and asked.byPosition is None
    return octets + _unsigned(6, part.first_sequence) if numbered else octets


def _unsigned(context: int, value: int) -> bytes:
    octets = value.to_bytes(max(1, (value.bit_length() + 7) // 8), "big")
    return bytes((context << 4 | 0x08 | len(octets),)) + octets
