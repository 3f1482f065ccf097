"""Application and context tags of BACnet: the octets of one value.

Source: ANSI/ASHRAE 135, clause 20.2 (encoding of tags and of primitive data), from memory;
``tests/interop/test_driver_bacnet_codec.py`` checks each type against bacpypes3's own encoder.
"""

from __future__ import annotations

import struct
from typing import Final, NamedTuple

NULL, BOOLEAN, UNSIGNED, SIGNED, REAL, DOUBLE = range(6)
BIT_STRING, ENUMERATED, OBJECT_ID = 8, 9, 12
OPENING, CLOSING = -1, -2
"""Length of an opening and of a closing context tag."""

TYPE_WORDS: Final = {
    NULL: "Null",
    BOOLEAN: "a Boolean",
    UNSIGNED: "an Unsigned",
    SIGNED: "a Signed integer",
    REAL: "a Real",
    DOUBLE: "a Double",
    6: "an Octet String",
    7: "a Character String",
    BIT_STRING: "a Bit String",
    ENUMERATED: "an Enumerated",
    10: "a Date",
    11: "a Time",
    OBJECT_ID: "an Object Identifier",
}
_INTEGER_OCTETS_MAX: Final = 8


class Malformed(Exception):
    """Octets that are no BACnet: cut short, or tags that do not nest."""


class Tag(NamedTuple):
    """One tag; ``end`` is where the next one starts."""

    number: int
    context: bool
    length: int
    """Octets of content; for an application Boolean its value; OPENING or CLOSING."""
    start: int
    end: int


def tag_at(octets: bytes, at: int) -> Tag:
    """Return the tag that starts at ``at``, its content bounds checked."""
    try:
        first = octets[at]
        number, context, length = first >> 4, bool(first & 0x08), first & 0x07
        at += 1
        if number == 15:
            number, at = octets[at], at + 1
        if context and length >= 6:
            return Tag(number, context, OPENING if length == 6 else CLOSING, at, at)
        if length == 5:
            length, at = _long_length(octets, at)
    except IndexError:
        raise Malformed("cut short in a tag") from None
    size = 0 if number == BOOLEAN and not context else length
    if at + size > len(octets):
        raise Malformed(f"cut short: {size} octets announced, {len(octets) - at} left")
    return Tag(number, context, length, at, at + size)


def _long_length(octets: bytes, at: int) -> tuple[int, int]:
    length, at = octets[at], at + 1
    width = {254: 2, 255: 4}.get(length, 0)
    if not width:
        return length, at
    if at + width > len(octets):
        raise Malformed("cut short in a length")
    return int.from_bytes(octets[at : at + width], "big"), at + width


def expect(octets: bytes, at: int, number: int, length: int | None = None) -> Tag:
    """Return the context tag ``number`` at ``at``; Malformed if another one stands there."""
    tag = tag_at(octets, at)
    if not tag.context or tag.number != number or (length is not None and tag.length != length):
        raise Malformed(f"context tag {number} expected at octet {at}")
    return tag


def unsigned(octets: bytes, tag: Tag) -> int:
    """Return the content of a tag as an unsigned integer of 1 to 8 octets."""
    if not 0 < tag.length <= _INTEGER_OCTETS_MAX:
        raise Malformed(f"an integer of {tag.length} octets")
    return int.from_bytes(octets[tag.start : tag.end], "big")


def number_of(octets: bytes, tag: Tag) -> float | None:
    """Return the number in an application tag, or None where it holds none or has an odd length."""
    body = octets[tag.start : tag.end]
    match tag.number, tag.length:
        case 4, 4:
            return float(struct.unpack(">f", body)[0])
        case 5, 8:
            return float(struct.unpack(">d", body)[0])
        case ((2 | 9), length) if 0 < length <= _INTEGER_OCTETS_MAX:
            return float(int.from_bytes(body, "big"))
        case 3, length if 0 < length <= _INTEGER_OCTETS_MAX:
            return float(int.from_bytes(body, "big", signed=True))
        case 1, (0 | 1):
            return float(tag.length)
        case _:
            return None


def past_group(octets: bytes, at: int, number: int) -> int:
    """Return where the group closes that ``number`` opened: the place after its closing tag."""
    open_groups = [number]
    while open_groups:
        tag = tag_at(octets, at)
        if tag.length == OPENING:
            open_groups.append(tag.number)
        elif tag.length == CLOSING and tag.number != open_groups.pop():
            raise Malformed("tags that do not nest")
        at = tag.end
    return at
