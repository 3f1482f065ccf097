"""Reads one BACnet device. It cannot write: it has no method for it."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from functools import partial
from typing import Final, TypeVar

from plantview.drivers import bacnet_codec as codec
from plantview.drivers import bacnet_slow as slow
from plantview.drivers.bacnet_network import (
    GET_EVENT_INFORMATION,
    MAX_APDU_OURS,
    READ_RANGE,
    BacnetNetwork,
    Place,
)
from plantview.drivers.bacnet_tags import Malformed
from plantview.drivers.bacnet_words import reliability_word, segmentation_word
from plantview.drivers.exchange import Budget, Trace, ignore, unlimited
from plantview.errors import DeviceRefused, ReplyUnusable
from plantview.model.device_event import DeviceEvent
from plantview.model.plant import Device

OBJECT_OCTETS: Final = 23
"""One object in an answer: 7 octets, and 4 + 5 for a Real present-value, 4 + 3 for its status flags."""
HEADER_OCTETS: Final = 3
CONSERVATIVE_MAX_APDU: Final = 480
"""Taken where a device does not say; the smallest size of devices that sit on BACnet/IP themselves."""
EVENT_PAGES_MAX: Final = 20
ENROLLMENT: Final = "event-enrollment"
ENROLLMENT_TYPE: Final = 9
WATCHED: Final = 78
"""Object_Property_Reference: what an event enrollment watches (ANSI/ASHRAE 135 clause 21)."""
WATCHED_MAX: Final = 200
NO_RELIABILITY: Final = "the device gives no reason"
_Decoded = TypeVar("_Decoded")


@dataclass(frozen=True, slots=True)
class Limits:
    """What a device says about the size of its answers."""

    max_apdu: int
    segmentation: str

    @classmethod
    def conservative(cls) -> Limits:
        """Return what is assumed of a device that does not say."""
        return cls(CONSERVATIVE_MAX_APDU, "unknown")

    @property
    def objects(self) -> int:
        """Return how many polled objects fit one unsegmented answer."""
        room = min(self.max_apdu, MAX_APDU_OURS) - HEADER_OCTETS
        return max(1, room // OBJECT_OCTETS)


class ObjectBatch:
    """Objects that are asked for in one request, which is encoded once."""

    __slots__ = ("keys", "request")

    def __init__(self, keys: Sequence[int]) -> None:
        self.keys = tuple(keys)
        self.request = codec.encode_read_multiple(self.keys)


class BacnetReader:
    """One device behind one adapter; the caller keeps to one request at a time."""

    def __init__(
        self, network: BacnetNetwork, device: Device, trace: Trace = ignore, budget: Budget = unlimited
    ) -> None:
        self._network, self._device, self._trace, self._budget = network, device, trace, budget
        self._place = place_of(device)
        self._watched: dict[str, str] = {}
        """Event enrollment -> what it watches; asked once, empty if the device does not say."""

    async def limits(self) -> Limits:
        """Ask the device object for its sizes; this also proves that the right device stands at the address."""
        key = codec.object_key_of("device", self._device.unit)
        max_apdu = await self._property(key, codec.MAX_APDU)
        segmentation = await self._property(key, codec.SEGMENTATION)
        return Limits(
            int(max_apdu) if isinstance(max_apdu, float) and max_apdu >= 50 else CONSERVATIVE_MAX_APDU,
            segmentation_word(int(segmentation)) if isinstance(segmentation, float) else "unknown",
        )

    async def probe(self) -> None:
        """Ask for one small property; return if anything usable comes back."""
        await self._property(codec.object_key_of("device", self._device.unit), codec.MAX_APDU)

    async def read(self, batch: ObjectBatch) -> dict[int, codec.Answer]:
        """Return present-value and status flags of every object of the batch, each on its own."""
        octets = await self._ask(codec.READ_PROPERTY_MULTIPLE, batch.request)
        items = self._decode(lambda: codec.decode_read_multiple(octets, batch.keys))
        return codec.answers(items, batch.keys)

    async def read_one(self, key: int) -> codec.Answer:
        """Return one object by ReadProperty, for devices without ReadPropertyMultiple."""
        items = {
            (key, codec.PRESENT_VALUE): await self._item(key, codec.PRESENT_VALUE),
            (key, codec.STATUS_FLAGS): await self._item(key, codec.STATUS_FLAGS),
        }
        return codec.answers(items, (key,))[key]

    async def reliabilities(self, keys: Sequence[int]) -> dict[int, str]:
        """Return the device's words for what is wrong with its faulty objects."""
        asked = (codec.RELIABILITY,)
        octets = await self._ask(codec.READ_PROPERTY_MULTIPLE, codec.encode_read_multiple(keys, asked))
        items = self._decode(lambda: codec.decode_read_multiple(octets, keys, asked))
        return {key: _reliability(items.get((key, codec.RELIABILITY))) for key in keys}

    async def reliability(self, key: int) -> str:
        """Return the same for one object, by ReadProperty."""
        return _reliability(await self._item(key, codec.RELIABILITY))

    async def clock_ms(self) -> int | None:
        """Return the device's own local time as if it were UTC [ms]; None where it has no usable clock."""
        key = codec.object_key_of("device", self._device.unit)
        asked = codec.encode_read_multiple((key,), (codec.LOCAL_DATE, codec.LOCAL_TIME))
        octets = await self._ask(codec.READ_PROPERTY_MULTIPLE, asked)
        return slow.local_ms_of(*self._decode(lambda: codec.decode_clock(octets, key)))

    async def log_page(self, request: bytes) -> slow.LogPage:
        """Return records of a trend log; ``request`` comes from ``bacnet_slow``."""
        octets = await self._ask(READ_RANGE, request)
        return self._decode(lambda: slow.decode_page(octets))

    async def events(self) -> tuple[DeviceEvent, ...]:
        """Return the objects that the device considers to be in alarm: asked for, never subscribed to."""
        found: list[DeviceEvent] = []
        after: int | None = None
        for _ in range(EVENT_PAGES_MAX):
            octets = await self._ask(GET_EVENT_INFORMATION, slow.encode_events(after))
            page, after = self._decode(partial(slow.decode_events, octets, self._device.id))
            found += page
            if after is None:
                break
        return tuple([replace(one, watches=await self._watched_by(one.object_name)) for one in found])

    async def _watched_by(self, name: str) -> str:
        kind, _, number = name.partition(",")
        if kind != ENROLLMENT or (name not in self._watched and len(self._watched) >= WATCHED_MAX):
            return ""
        if name not in self._watched:
            asked = codec.encode_read(ENROLLMENT_TYPE << 22 | int(number), WATCHED)
            try:
                octets = await self._ask(codec.READ_PROPERTY, asked)
                found = self._decode(lambda: slow.decode_watched(octets, self._device.unit))
            except (DeviceRefused, ReplyUnusable):
                found = ""
            self._watched[name] = found
        return self._watched[name]

    async def subscribe(self, process: int, key: int, lifetime_s: int) -> None:
        """Ask the device to tell changes of one object for so many seconds."""
        device = self._device
        await self._network.subscribe(
            device.id, self._place, slow.encode_subscribe(process, key, lifetime_s),
            within_s=device.timeout_s, trace=self._trace,
        )  # fmt: skip

    async def _item(self, key: int, number: int) -> codec.Item:
        """Return one property; a refusal of it is no value, a silent device stays an error."""
        try:
            return await self._property(key, number)
        except DeviceRefused as error:
            return codec.Refusal(error.detail, error.code)

    async def _property(self, key: int, number: int) -> codec.Item:
        octets = await self._ask(codec.READ_PROPERTY, codec.encode_read(key, number))
        return self._decode(lambda: codec.decode_read(octets, key, number))

    async def _ask(self, service: int, payload: bytes) -> bytes:
        device = self._device
        await self._budget()
        return await self._network.ask(
            device.id, self._place, service, payload, within_s=device.timeout_s, trace=self._trace
        )

    def _decode(self, decode: Callable[[], _Decoded]) -> _Decoded:
        try:
            return decode()
        except Malformed as error:
            raise ReplyUnusable(self._device.id, f"an answer that cannot be used: {error}") from None


def place_of(device: Device) -> Place:
    """Return where the network finds a device: at its address, or behind the router there."""
    if device.network is None:
        return device.host, device.port
    return device.host, device.port, device.network, device.mac


def _reliability(item: codec.Item | None) -> str:
    return reliability_word(int(item)) if isinstance(item, float) else NO_RELIABILITY
