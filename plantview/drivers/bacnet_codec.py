"""ReadPropertyMultiple, encoded once per batch and decoded item by item.

A general decoder builds typed objects and gives up on the whole answer at the first odd
value. Here one odd value costs one point, and a point costs microseconds.

Source: ANSI/ASHRAE 135, clauses 15.5, 15.7 and 21 (ReadProperty, ReadPropertyMultiple), from memory;
checked against bacpypes3 and rusty-bacnet in ``tests/interop``.
"""

from __future__ import annotations

import re
import struct
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from typing import Final

from plantview.drivers import bacnet_tags as tags
from plantview.drivers.bacnet_tags import Malformed, Tag, expect, number_of, past_group, tag_at, unsigned
from plantview.drivers.bacnet_words import error_word
from plantview.drivers.exchange import NoValue
from plantview.model.point import BacnetAddress

READ_PROPERTY: Final = 12
READ_PROPERTY_MULTIPLE: Final = 14
MAX_APDU, PRESENT_VALUE, RELIABILITY, SEGMENTATION, STATUS_FLAGS = 62, 85, 103, 107, 111
LOCAL_DATE, LOCAL_TIME = 56, 57
POLLED: Final = (PRESENT_VALUE, STATUS_FLAGS)
OBJECTS: Final = {
    "analog-input": 0,
    "analog-output": 1,
    "analog-value": 2,
    "binary-input": 3,
    "binary-output": 4,
    "binary-value": 5,
    "device": 8,
    "multi-state-input": 13,
    "multi-state-output": 14,
    "multi-state-value": 19,
    "accumulator": 23,
    "integer-value": 45,
    "large-analog-value": 46,
    "positive-integer-value": 48,
}
_REALS: Final = frozenset({tags.REAL, tags.DOUBLE})
PRESENT_VALUE_TYPES: Final[Mapping[int, frozenset[int]]] = {
    **{OBJECTS[name]: _REALS for name in ("analog-input", "analog-output", "analog-value", "large-analog-value")},
    **{OBJECTS[name]: frozenset({tags.ENUMERATED}) for name in ("binary-input", "binary-output", "binary-value")},
    **{
        OBJECTS[name]: frozenset({tags.UNSIGNED})
        for name in (
            "multi-state-input",
            "multi-state-output",
            "multi-state-value",
            "accumulator",
            "positive-integer-value",
        )
    },
    OBJECTS["integer-value"]: frozenset({tags.SIGNED}),
}
"""What a present-value may be; another type is shown as a fault of the device, not guessed at."""
FAULT, OVERRIDDEN, OUT_OF_SERVICE = 0b0100, 0b0010, 0b0001
"""Bits of status-flags as they arrive: in-alarm, fault, overridden, out-of-service."""
_FLAGS_LENGTH: Final = 2
_USUAL: Final = re.compile(
    rb"\x0c(.{4})\x1e\x29\x55\x4e(?:\x44(.{4})|\x91(.)|\x21(.))\x4f\x29\x6f\x4e\x82\x04(.)\x4f\x1f", re.DOTALL
)
"""One object as nearly every device answers: present-value of one type, then status-flags."""


@dataclass(frozen=True, slots=True)
class Refusal(NoValue):
    """The device refused one property; ``code`` is its error word."""

    code: str


@dataclass(frozen=True, slots=True)
class Answer:
    """One object as polled."""

    value: float | NoValue
    flags: int
    """Status flags; 0 where the object has none."""


Item = float | NoValue
Items = dict[tuple[int, int], Item]
"""(object key, property) -> what came."""


def object_key(address: BacnetAddress) -> int:
    """Return the object identifier as it is sent: type in the upper 10 bits, instance below."""
    return object_key_of(address.object_type, address.instance)


def object_key_of(object_type: str, instance: int) -> int:
    """Return the key of an object that is no point, such as the device object."""
    return OBJECTS[object_type] << 22 | instance


def encode_read_multiple(keys: Iterable[int], properties: Sequence[int] = POLLED) -> bytes:
    """Return the service request that asks every object for the same properties."""
    asked = b"\x1e" + b"".join(bytes((0x09, number)) for number in properties) + b"\x1f"
    return b"".join(b"\x0c" + key.to_bytes(4, "big") + asked for key in keys)


def encode_read(key: int, number: int) -> bytes:
    """Return the service request of ReadProperty."""
    return b"\x0c" + key.to_bytes(4, "big") + bytes((0x19, number))


def decode_read_multiple(octets: bytes, keys: Sequence[int], properties: Sequence[int] = POLLED) -> Items:
    """Return every item that was asked for; an item the answer leaves out is missing from the result.

    Malformed: cut short, no proper nesting, an object or property that nobody asked for, an item twice.
    """
    asked_keys, asked_properties = frozenset(keys), frozenset(properties)
    items: Items = {}
    at = _usual_objects(octets, asked_keys, items) if properties == POLLED else 0
    while at < len(octets):
        name = expect(octets, at, 0, 4)
        key = unsigned(octets, name)
        if key not in asked_keys:
            raise Malformed(f"answers for {_object_text(key)}, which was not asked")
        at = expect(octets, name.end, 1, tags.OPENING).end
        tag = tag_at(octets, at)
        while tag.length != tags.CLOSING:
            number, item, at = _property(octets, tag, key)
            if number not in asked_properties or (key, number) in items:
                raise Malformed(f"property {number} of {_object_text(key)} unasked or twice")
            items[key, number] = item
            tag = tag_at(octets, at)
        if tag.number != 1:
            raise Malformed("tags that do not nest")
        at = tag.end
    return items


def decode_read(octets: bytes, key: int, number: int) -> Item:
    """Return the one item of a ReadProperty answer."""
    name = expect(octets, 0, 0, 4)
    which = expect(octets, name.end, 1)
    if unsigned(octets, name) != key or unsigned(octets, which) != number:
        raise Malformed("answers for another object or property")
    item, end = _content(octets, expect(octets, which.end, 3, tags.OPENING).end, 3, key, number)
    if end != len(octets):
        raise Malformed("octets after the end")
    return item


def decode_clock(octets: bytes, key: int) -> tuple[bytes, bytes]:
    """Return the four octets of local-date and of local-time of a device object, asked for in this order."""
    found: dict[int, bytes] = {}
    at = expect(octets, expect(octets, 0, 0, 4).end, 1, tags.OPENING).end
    if unsigned(octets, expect(octets, 0, 0, 4)) != key:
        raise Malformed("answers for another object")
    for number, kind in ((LOCAL_DATE, 10), (LOCAL_TIME, 11)):
        which = expect(octets, at, 2)
        value = tag_at(octets, expect(octets, which.end, 4, tags.OPENING).end)
        if unsigned(octets, which) != number or value.context or (value.number, value.length) != (kind, 4):
            raise Malformed("no date or no time where one belongs")
        found[number] = octets[value.start : value.end]
        at = expect(octets, value.end, 4, tags.CLOSING).end
    return found[LOCAL_DATE], found[LOCAL_TIME]


def answers(items: Items, keys: Iterable[int]) -> dict[int, Answer]:
    """Return one answer per object; what the device left out is no value."""
    missing = NoValue("the device left it out of its answer")
    found = {}
    for key in keys:
        flags = items.get((key, STATUS_FLAGS), 0.0)
        found[key] = Answer(items.get((key, PRESENT_VALUE), missing), int(flags) if isinstance(flags, float) else 0)
    return found


def decode_error(octets: bytes) -> str:
    """Return the error word of an Error PDU."""
    first = tag_at(octets, 0)
    second = tag_at(octets, first.end)
    return error_word(unsigned(octets, second))


def _usual_objects(octets: bytes, asked: frozenset[int], items: Items) -> int:
    """Decode objects of the usual shape from the front (six times faster); return where the first other one starts."""
    at = 0
    while (found := _USUAL.match(octets, at)) is not None:
        name, real, enumerated, unsigned_octet, flags = found.groups()
        key = int.from_bytes(name, "big")
        tag = tags.REAL if real else tags.ENUMERATED if enumerated else tags.UNSIGNED
        if key not in asked or (key, PRESENT_VALUE) in items or tag not in PRESENT_VALUE_TYPES.get(key >> 22, ()):
            break
        value: float = struct.unpack(">f", real)[0] if real else float((enumerated or unsigned_octet)[0])
        items[key, PRESENT_VALUE], items[key, STATUS_FLAGS] = value, float(flags[0] >> 4)
        at = found.end()
    return at


def _property(octets: bytes, tag: Tag, key: int) -> tuple[int, Item, int]:
    if not tag.context or tag.number != 2:
        raise Malformed("property identifier expected")
    number = unsigned(octets, tag)
    opened = tag_at(octets, tag.end)
    if not opened.context or opened.length != tags.OPENING or opened.number not in {4, 5}:
        raise Malformed("value or error expected")
    if opened.number == 4:
        item, at = _content(octets, opened.end, 4, key, number)
        return number, item, at
    code = decode_error(octets[opened.end :])
    return number, Refusal(f"refused by the device: {code}", code), past_group(octets, opened.end, 5)


def _content(octets: bytes, at: int, group: int, key: int, number: int) -> tuple[Item, int]:
    """Return what stands between the opening tag of ``group`` and its closing tag, and where it ends."""
    tag = tag_at(octets, at)
    if tag.length == tags.CLOSING and tag.context:
        return NoValue("the device answers with an empty value"), past_group(octets, at, group)
    end = past_group(octets, at, group)
    if tag.context or tag_at(octets, tag.end).end != end:
        return NoValue("the device answers with a list where one value belongs"), end
    return _item(octets, tag, key, number), end


def value_of(octets: bytes, key: int, number: int) -> Item:
    """Return one property as a COV notification brings it, between its opening and its closing tag."""
    item, _ = _content(octets, expect(octets, 0, 2, tags.OPENING).end, 2, key, number)
    return item


def _item(octets: bytes, tag: Tag, key: int, number: int) -> Item:
    if number == STATUS_FLAGS:
        return _flags(octets, tag)
    value = number_of(octets, tag)
    allowed = PRESENT_VALUE_TYPES.get(key >> 22) if number == PRESENT_VALUE else None
    if value is None or (allowed is not None and tag.number not in allowed):
        return NoValue(_odd_type(tag, allowed))
    return value


def _flags(octets: bytes, tag: Tag) -> Item:
    if tag.number != tags.BIT_STRING or tag.length != _FLAGS_LENGTH or octets[tag.start] != 4:
        return NoValue("status flags of an odd type")
    return float(octets[tag.start + 1] >> 4)


def _odd_type(tag: Tag, allowed: frozenset[int] | None) -> str:
    word = tags.TYPE_WORDS.get(tag.number, f"type {tag.number}")
    right = " or ".join(tags.TYPE_WORDS[number] for number in sorted(allowed)) if allowed else "a number"
    return f"the device answers with {word} where {right} belongs"


def _object_text(key: int) -> str:
    names = {number: name for name, number in OBJECTS.items()}
    return f"{names.get(key >> 22, f'type {key >> 22}')},{key & 0x3FFFFF}"
