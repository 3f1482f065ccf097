"""Why received octets are no answer to what was sent, for both kinds of frames.

Sources: Modbus Messaging on TCP/IP Implementation Guide V1.0b, clause 3.1.3 (header); Modbus over Serial
Line V1.02, clauses 2.5.1 and 6.2.2 (frame and CRC), from memory; the CRC is checked against its published value.
"""

from __future__ import annotations

import struct
from collections.abc import Callable, Mapping
from typing import Final

_HEADER: Final = struct.Struct(">HHHB")
"""Transaction, protocol, length, unit."""
LENGTHS: Final = range(2, 255)
"""What the header may announce: unit, function and at most 252 octets behind."""
HALF: Final = "half an answer"
NO_ANSWER: Final = "octets that are no Modbus answer"
NOT_DECODED: Final = "an answer that cannot be decoded"


def tcp_misfit(sent: bytes, received: bytes, unit: int) -> str:
    """Return what is wrong with the octets; empty if there are none or they are the answer to an older question."""
    if not received:
        return ""
    if len(received) < _HEADER.size + 1:
        return HALF
    transaction, protocol, length, answering = _HEADER.unpack_from(received)
    asked = int.from_bytes(sent[:2], "big")
    if protocol != 0 or length not in LENGTHS:
        return NO_ANSWER
    if transaction != asked:
        return "" if transaction < asked else "an answer to a question that was not asked"
    if answering != unit:
        return _other_unit(answering, unit)
    return HALF if len(received) < length + 6 else NOT_DECODED


def rtu_misfit(_sent: bytes, received: bytes, unit: int) -> str:
    """Return what is wrong with serial frames; empty if nothing came."""
    if not received:
        return ""
    if len(received) < 5:
        return HALF
    body, check = received[:-2], int.from_bytes(received[-2:], "little")
    if crc16(body) != check:
        return "an answer with a wrong check sum, or half of one"
    return NOT_DECODED if received[0] == unit else _other_unit(received[0], unit)


def _other_unit(answering: int, unit: int) -> str:
    return f"an answer of unit {answering} to a question to unit {unit}"


def crc16(octets: bytes) -> int:
    """Return the check sum of a serial frame: polynomial 0xA001 reflected, from 0xFFFF."""
    crc = 0xFFFF
    for octet in octets:
        crc ^= octet
        for _ in range(8):
            crc = crc >> 1 ^ 0xA001 if crc & 1 else crc >> 1
    return crc


MISFIT: Final[Mapping[str, Callable[[bytes, bytes, int], str]]] = {"tcp": tcp_misfit, "rtu": rtu_misfit}
"""By framer: what was sent, what came, and the unit that was asked -> why it is no answer."""
