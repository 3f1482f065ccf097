"""Error, Reject and Abort of BACnet, told apart once."""

from __future__ import annotations

from typing import Final

from bacpypes3.apdu import AbortPDU, ErrorPDU, ErrorRejectAbortNack, RejectPDU

from plantview.drivers.bacnet_codec import decode_error
from plantview.drivers.bacnet_tags import Malformed
from plantview.drivers.bacnet_words import abort_word, reject_word
from plantview.errors import DeviceRefused, DeviceSilent, DeviceUnreachable, DriverError, ReplyUnusable

_NO_ROUTE: Final = frozenset({"unknown-route"})
_NO_ANSWER: Final = frozenset({"no-response", "tsm-timeout"})


def named(device: str, error: ErrorRejectAbortNack) -> DriverError:
    """Return our name for an Error, Reject or Abort: the only place where they are told apart."""
    match error:
        case ErrorPDU():
            return _named_error(device, error)
        case RejectPDU():
            word = reject_word(int(error.apduAbortRejectReason))
            return DeviceRefused(device, f"refused by the device: reject {word}", code=word)
        case AbortPDU():
            word = abort_word(int(error.apduAbortRejectReason))
            if word in _NO_ANSWER:
                return DeviceSilent(device, "no answer", code=word)
            return DeviceRefused(device, f"refused by the device: abort {word}", code=word)
        case _:
            return ReplyUnusable(device, f"an answer of an unknown kind: {type(error).__name__}")


def _named_error(device: str, error: ErrorPDU) -> DriverError:
    try:
        # An error of bacpypes3's own (no route) comes decoded, one of the device as octets.
        word = str(error.errorCode) if hasattr(error, "errorCode") else decode_error(bytes(error.pduData))
    except Malformed as malformed:
        return ReplyUnusable(device, f"an error answer that cannot be read: {malformed}")
    if word in _NO_ROUTE:
        return DeviceUnreachable(device, f"no way to the device: {word}", code=word)
    return DeviceRefused(device, f"refused by the device: error {word}", code=word)
