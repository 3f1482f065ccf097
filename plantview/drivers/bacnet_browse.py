"""Looks around in a BACnet network: who is there, what do they hold. Read services and Who-Is only.

BAC0 does the browsing. It cannot read a device that sends no I-Am, and it hides refusals of single
reads; there bacpypes3's typed services take over on the same socket, and ``notes`` says so.
"""

from __future__ import annotations

import asyncio
import contextlib
from collections.abc import AsyncIterator, Sequence
from typing import Any, Final

from bacpypes3.apdu import ErrorRejectAbortNack
from bacpypes3.basetypes import ErrorType, PropertyIdentifier
from bacpypes3.errors import AbortException, ExecutionError, RejectException
from bacpypes3.pdu import Address, GlobalBroadcast
from bacpypes3.primitivedata import ObjectIdentifier

from plantview.drivers.bacnet_facts import (
    ANSWERED,
    ASKED,
    DEVICE_PROPERTIES,
    Announced,
    ObjectFacts,
    Untyped,
    facts,
    properties_of,
    services,
    text,
)
from plantview.drivers.bacnet_isolated import bac0, started_bac0
from plantview.drivers.bacnet_refusals import named
from plantview.errors import DeviceRefused, DeviceSilent, DeviceUnreachable, ReplyUnusable
from plantview.model.plant import Adapter

INSTANCE_MAX: Final = 4_194_302
_ANY_DEVICE: Final = 4_194_303
"""Read as the instance of whichever device stands at the address (ANSI/ASHRAE 135, clause 15.5.2, from memory)."""
OBJECT_OCTETS: Final = 140
"""What one browsed object is taken to need in an answer before anything is learned."""
OBJECTS_AT_ONCE: Final = 10
OBJECTS_MAX: Final = 20_000
_UNDECODABLE: Final = (
    RejectException, AbortException, ExecutionError, ValueError, TypeError, KeyError, IndexError, AttributeError,
)  # fmt: skip
"""What the libraries raise over an answer that they do not understand."""


@contextlib.asynccontextmanager
async def browsing(adapter: Adapter, *, within_s: float = 2.0) -> AsyncIterator[Browser]:
    """Open BAC0 on an adapter for the length of a ``with`` block; StartRefused if the port cannot be had."""
    async with started_bac0(adapter, within_s) as network:
        yield Browser(network.this_application.app, network, within_s)


class Browser:
    """Asks one question at a time; it has no method that writes."""

    def __init__(self, application: Untyped, network: Untyped, within_s: float) -> None:
        self._application, self._network, self._within_s = application, network, within_s
        self._size: dict[str, int] = {}
        self.notes: dict[str, str] = {}
        """Device address -> why BAC0 could not browse it."""

    async def who_is(self, low: int, high: int, wait_s: float) -> list[Announced]:
        """Ask all devices with an instance from ``low`` to ``high``, on all networks; listen for ``wait_s``."""
        answers = await self._application.who_is(low, high, GlobalBroadcast(), wait_s)
        return [_announced(answer) for answer in answers]

    async def who_is_at(self, address: str, wait_s: float, instance: int | None = None) -> Announced:
        """Ask the one device at ``host:port``, first by Who-Is, then for its device object, by ``instance`` if given."""
        to = _address(address)
        for answer in await self._application.who_is(0, INSTANCE_MAX, to, wait_s):
            return _announced(answer)
        if instance is None:
            instance = await self._instance_at(address)
        own = f"device,{instance}"
        max_apdu = await self._typed(address, own, "max-apdu-length-accepted")
        segmentation = await self._typed(address, own, "segmentation-supported")
        vendor = await self._typed(address, own, "vendor-identifier")
        self.notes[address] = "it sends no I-Am, which BAC0 needs first; read by bacpypes3's typed services"
        return Announced(instance, address, int(max_apdu), str(segmentation), int(vendor), ASKED)

    async def _instance_at(self, address: str) -> int:
        try:
            return int((await self._typed(address, f"device,{_ANY_DEVICE}", "object-identifier"))[1])
        except DeviceRefused as error:
            raise DeviceRefused(
                address,
                f"it answers, but neither Who-Is nor who it is -> give its device instance: --host {address}=1234",
                code=error.code,
            ) from error

    async def device(self, device: Announced) -> dict[str, str | list[str]]:
        """Return the properties of the device object that it has, as text; the services as a list of words."""
        own = f"device,{device.instance}"
        found: dict[str, str | list[str]] = {}
        for name in DEVICE_PROPERTIES:
            with contextlib.suppress(DeviceRefused, ReplyUnusable):
                value = await self._typed(device.address, own, name)
                found[name] = list(services(value)) if name == "protocol-services-supported" else text(value)
        return found

    async def object_list(self, device: Announced) -> tuple[list[str], str]:
        """Return the identifiers of all objects, and how they were had: whole, or one by one."""
        own = f"device,{device.instance}"
        if self._by_bac0(device):
            with contextlib.suppress(*self._failures()):
                async with asyncio.timeout(4 * self._within_s):
                    listed = await self._network.read(f"{device.address} device {device.instance} objectList")
                if isinstance(listed, list):  # None: refused, and BAC0 says no more
                    return [_identifier(item) for item in listed], "whole"
        with contextlib.suppress(DeviceRefused, ReplyUnusable):
            return [_identifier(item) for item in await self._typed(device.address, own, "object-list")], "whole"
        count = int(await self._typed(device.address, own, "object-list", 0))
        if count > OBJECTS_MAX:
            raise ReplyUnusable(device.address, f"a list of {count} objects; more than {OBJECTS_MAX} are not browsed")
        listed = [await self._typed(device.address, own, "object-list", at) for at in range(1, count + 1)]
        return [_identifier(item) for item in listed], "one by one, as the whole list does not fit its answers"

    async def objects(self, device: Announced, identifiers: Sequence[str]) -> list[ObjectFacts]:
        """Return the facts of objects in the order asked; what cannot be read is said per object."""
        if not self._by_bac0(device):
            return [await self._one(device, identifier) for identifier in identifiers]
        found: list[ObjectFacts] = []
        waiting = [list(identifiers)]
        while waiting:
            group = waiting.pop(0)
            if len(group) > (size := self.batch(device)):
                waiting[:0] = [group[at : at + size] for at in range(0, len(group), size)]
            elif (answered := await self._together(device, group)) is not None:
                found += answered
            elif len(group) > 1:  # one odd value spoils the answer for all: narrow it down
                waiting[:0] = [group[: len(group) // 2], group[len(group) // 2 :]]
            else:
                found.append(await self._one(device, group[0]))
        return found

    def batch(self, device: Announced) -> int:
        """Return how many objects are asked for at once: from the size of its answers, halved when refused."""
        fitting = max(1, min(OBJECTS_AT_ONCE, (device.max_apdu - 3) // OBJECT_OCTETS))
        return self._size.get(device.address, fitting)

    def _by_bac0(self, device: Announced) -> bool:
        return device.how == ANSWERED and device.address not in self.notes

    def _failures(self) -> tuple[type[BaseException], ...]:
        """Return what a read through BAC0 may raise; its errors have no common root, bacpypes3's are no Exception."""
        named = vars(bac0().core.io.IOExceptions).values()
        own = tuple(one for one in named if isinstance(one, type) and issubclass(one, Exception))
        return (ErrorRejectAbortNack, TimeoutError, *own, *_UNDECODABLE)

    async def _together(self, device: Announced, group: Sequence[str]) -> list[ObjectFacts] | None:
        """Ask for several objects by BAC0; None if it has no usable answer for all of them."""
        asked = {_colon(one): list(properties_of(one.partition(",")[0])) for one in group}
        known = bac0().core.io.IOExceptions
        try:
            async with asyncio.timeout(4 * self._within_s):
                answer = await self._network.readMultiple(
                    "", request_dict={"address": device.address, "objects": asked}
                )
        except known.SegmentationNotSupported:
            answer = []
        except (TimeoutError, known.NoResponseFromController):
            # silence, or an answer that is never delivered: the typed services tell which
            return [await self._one(device, one) for one in group]
        except self._failures():
            return None
        if not answer:  # BAC0's only sign of an abort: the answer would not fit
            self._size[device.address] = max(1, len(group) // 2)
        if not isinstance(answer, dict) or set(answer) != set(group):
            return None
        return [_from_items(one, answer[one]) for one in group]

    async def _one(self, device: Announced, identifier: str) -> ObjectFacts:
        """Read an object property by property; a refused one is said and costs no other."""
        items: dict[str, Any] = {}
        trouble: list[str] = []
        for name in properties_of(identifier.partition(",")[0]):
            try:
                items[name] = await self._typed(device.address, identifier, name)
            except DeviceRefused as error:
                if error.code != "unknown-property":
                    trouble.append(f"{name}: {error.detail}")
            except ReplyUnusable as error:
                trouble.append(f"{name}: {error.detail}")
        return facts(identifier, items, trouble)

    async def _typed(self, address: str, identifier: str, name: str, index: int | None = None) -> Untyped:
        """Return one property by bacpypes3's typed ReadProperty; any failure is a DriverError by name."""
        request = self._application.read_property(
            _address(address), ObjectIdentifier(identifier), PropertyIdentifier(name), index
        )
        try:
            async with asyncio.timeout(2.5 * self._within_s):  # an answer that cannot be decoded is never delivered
                return await request
        except TimeoutError:
            raise DeviceSilent(address, "no usable answer in time") from None
        except ErrorRejectAbortNack as error:  # a BaseException
            raise named(address, error) from None
        except _UNDECODABLE as error:
            raise ReplyUnusable(address, f"an answer that cannot be used: {error}") from error


def _announced(answer: Untyped) -> Announced:
    return Announced(
        int(answer.iAmDeviceIdentifier[1]),
        str(answer.pduSource),
        int(answer.maxAPDULengthAccepted),
        str(answer.segmentationSupported),
        int(answer.vendorID),
    )


def _address(text_of_it: str) -> Address:
    try:
        return Address(text_of_it)
    except ValueError as error:
        raise DeviceUnreachable(
            text_of_it, "is no BACnet address: write 192.168.10.20 or 192.168.10.20:47808"
        ) from error


def _identifier(item: Untyped) -> str:
    return str(ObjectIdentifier(item))


def _colon(identifier: str) -> str:
    return identifier.replace(",", ":")


def _from_items(identifier: str, answered: Sequence[tuple[Any, Any]]) -> ObjectFacts:
    items = {str(name): value for name, value in answered if not isinstance(value, ErrorType)}
    refused = [
        f"{name}: {value.errorCode}"
        for name, value in answered
        if isinstance(value, ErrorType) and str(value.errorCode) != "unknown-property"
    ]
    return facts(identifier, items, refused)
