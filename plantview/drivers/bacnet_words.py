"""BACnet's own words for its numbers, as bacpypes3 lists them; an unlisted number stays a number."""

from __future__ import annotations

from typing import Final

from bacpypes3.apdu import AbortReason, RejectReason
from bacpypes3.basetypes import ErrorCode, EventState, Reliability, Segmentation
from bacpypes3.primitivedata import ObjectType

TOO_BIG: Final = frozenset(
    {
        "buffer-overflow",
        "segmentation-not-supported",
        "apdu-too-long",
        "out-of-resources",
    }
)
"""Abort words that mean: ask for less at once."""
NO_SERVICE: Final = "unrecognized-service"
"""Reject word of a device that has no ReadPropertyMultiple."""


def error_word(code: int) -> str:
    """Return the word of an error code, such as ``unknown-object``."""
    return _word(ErrorCode, code, "error")


def reject_word(reason: int) -> str:
    """Return the word of a reject reason."""
    return _word(RejectReason, reason, "reject reason")


def abort_word(reason: int) -> str:
    """Return the word of an abort reason."""
    return _word(AbortReason, reason, "abort reason")


def reliability_word(number: int) -> str:
    """Return the word of a reliability, such as ``no-sensor``."""
    return _word(Reliability, number, "reliability")


def segmentation_word(number: int) -> str:
    """Return the word of the segmentation that a device supports."""
    return _word(Segmentation, number, "segmentation")


def object_word(number: int) -> str:
    """Return the word of an object type, such as ``analog-input``."""
    return _word(ObjectType, number, "object type")


def event_state_word(number: int) -> str:
    """Return the word of an event state, such as ``high-limit``."""
    return _word(EventState, number, "event state")


def _word(enumeration: type, number: int, kind: str) -> str:
    text = str(enumeration(number))
    return f"{kind} {number}" if text.isdigit() else text
