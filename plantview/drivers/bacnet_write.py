"""The one place that writes to a BACnet device: one typed WriteProperty per call, never repeated.

It has a socket of its own, which exists only while commands are enabled.
"""

from __future__ import annotations

import asyncio
import math
from typing import Any, Final

from bacpypes3.apdu import ErrorRejectAbortNack, SimpleAckPDU, WritePropertyRequest
from bacpypes3.primitivedata import Null, ObjectIdentifier, Real

from plantview.drivers.bacnet_look import PRESENT_VALUE, PV_TYPES, BacnetLooker
from plantview.drivers.bacnet_reader import place_of
from plantview.drivers.bacnet_refusals import named
from plantview.drivers.look import PRIORITIES
from plantview.errors import DeviceSilent, ReplyUnusable
from plantview.model.plant import Device
from plantview.model.point import BacnetAddress

WRITABLE_TYPES: Final = frozenset(PV_TYPES)
"""The only object types that may be written."""
PRIORITY_MIN: Final = 8
"""1 to 7 belong to life safety, critical equipment and minimum times (ANSI/ASHRAE 135, clause 19.2.1, from memory)."""
_SLOTS: Final = range(PRIORITY_MIN, PRIORITIES + 1)
Untyped = Any
"""What the protocol stack hands over: it has no type information."""


class BacnetWriter(BacnetLooker):
    """A socket that looks, and writes present values at priorities 8 to 16."""

    async def put(self, device: Device, address: BacnetAddress, value: float | None, priority: int | None) -> None:
        """Send one WriteProperty of the present value; None releases the priority. Exactly one frame, never repeated.

        ``priority`` None is for an object without a priority array. Returns when the device accepted it;
        DeviceRefused if it did not, DeviceSilent if nobody knows, DeviceUnreachable if nothing was sent.
        ValueError for what must never reach a wire.
        """
        request = _request(address, value, priority)
        place = place_of(device)
        request.pduDestination = await self._reach(device.id, place)
        try:
            async with asyncio.timeout(device.timeout_s):
                reply = await self._application.request(request)
        except TimeoutError:
            raise DeviceSilent(
                device.id, f"no answer in {device.timeout_s:g} s: whether it was done is unknown"
            ) from None
        except ErrorRejectAbortNack as error:  # a BaseException, see BacnetNetwork
            raise named(device.id, error) from None
        finally:
            self._forget(request)
        if not isinstance(reply, SimpleAckPDU):
            raise ReplyUnusable(device.id, "the answer to a write is no acknowledgement")


def _request(address: BacnetAddress, value: float | None, priority: int | None) -> Untyped:
    if address.object_type not in WRITABLE_TYPES:
        raise ValueError(f"{address.object_type} is never written")
    if priority is None and value is None:
        raise ValueError("there is no priority to release")
    if priority is not None and (type(priority) is not int or priority not in _SLOTS):
        raise ValueError(f"priority {priority!r} is never written")
    if value is not None and (type(value) not in {int, float} or not math.isfinite(value)):
        raise ValueError(f"{value!r} is no number that may be written")
    kind = PV_TYPES[address.object_type]
    typed = Null(()) if value is None else kind(float(value) if kind is Real else int(value))
    request = WritePropertyRequest(
        objectIdentifier=ObjectIdentifier(str(address)), propertyIdentifier=PRESENT_VALUE, propertyValue=typed
    )
    if priority is not None:
        request.priority = priority
    return request
