"""What a BACnet device shows of one commandable object: priority array, limits, units, who holds what since when.

Reads only, each decoded by bacpypes3; it has a socket of its own, apart from the polling's.
"""

from __future__ import annotations

import math
from collections.abc import AsyncIterator, Callable, Mapping
from contextlib import AbstractAsyncContextManager, AsyncExitStack, asynccontextmanager
from dataclasses import replace
from typing import Any, Final, TypeVar

from bacpypes3.apdu import ComplexAckPDU, ReadPropertyACK
from bacpypes3.basetypes import (
    BinaryPV,
    DateTime,
    EngineeringUnits,
    PriorityArray,
    StatusFlags,
    TimeStamp,
    ValueSource,
)
from bacpypes3.constructeddata import ArrayOf
from bacpypes3.primitivedata import Date, Null, ObjectIdentifier, Real, Time, Unsigned

from plantview.drivers.bacnet_codec import READ_PROPERTY, encode_read, object_key, object_key_of
from plantview.drivers.bacnet_network import BacnetNetwork, Place
from plantview.drivers.bacnet_reader import place_of
from plantview.drivers.exchange import ignore
from plantview.drivers.look import Look
from plantview.errors import DeviceRefused, ReplyUnusable
from plantview.model.plant import Adapter, Device, Plant
from plantview.model.point import BacnetAddress

PV_TYPES: Final[Mapping[str, Any]] = {
    "analog-output": Real, "analog-value": Real, "binary-output": BinaryPV, "binary-value": BinaryPV,
    "multi-state-output": Unsigned, "multi-state-value": Unsigned,
}  # fmt: skip
"""Object types that can be commanded, with the type of their present value (ANSI/ASHRAE 135, clause 12)."""
PRESENT_VALUE: Final = "present-value"
_NUMBERS: Final = {
    PRESENT_VALUE: 85, "priority-array": 87, "relinquish-default": 104, "status-flags": 111, "units": 117,
    "max-pres-value": 65, "min-pres-value": 69, "minimum-off-time": 66, "minimum-on-time": 67,
    "command-time-array": 430, "value-source-array": 434, "local-date": 56, "local-time": 57, "object-identifier": 75,
}  # fmt: skip
Untyped = Any
"""What the protocol stack hands over: it has no type information."""
_TIMES: Final = ArrayOf(TimeStamp)
_SOURCES: Final = ArrayOf(ValueSource)
_MINIMUM_SLOT: Final = 6
_DAY_S: Final = 86_400.0


class BacnetLooker(BacnetNetwork):
    """A socket that looks at commandable objects."""

    async def look(self, device: Device, address: BacnetAddress) -> Look:
        """Return what the device shows of one object now; DriverError if it does not answer."""
        await self._identify(device)
        ask = _Asking(self, device, object_key(address))
        array = await ask.maybe("priority-array", PriorityArray)
        flags = await ask.maybe("status-flags", StatusFlags)
        _, fault, overridden, out_of_service = (bool(bit) for bit in flags) if flags is not None else (False,) * 4
        analog = address.object_type.startswith("analog")
        binary = address.object_type.startswith("binary")
        present = await ask.value(PRESENT_VALUE, PV_TYPES[address.object_type])
        slots = None if array is None else tuple(_entry(one) for one in array)
        return Look(
            value=_number(present),
            slots=slots,
            relinquish_default=_number(await ask.maybe("relinquish-default", PV_TYPES[address.object_type])),
            fault=fault,
            overridden=overridden,
            out_of_service=out_of_service,
            low=_number(await ask.maybe("min-pres-value", Real)) if analog else None,
            high=_number(await ask.maybe("max-pres-value", Real)) if analog else None,
            units=str(await ask.maybe("units", EngineeringUnits) or "") if analog else "",
            minimum_off_s=_number(await ask.maybe("minimum-off-time", Unsigned)) or 0.0 if binary else 0.0,
            minimum_on_s=_number(await ask.maybe("minimum-on-time", Unsigned)) or 0.0 if binary else 0.0,
            **await self._origins(ask, device, slots, bool(present)),
        )

    async def slots(self, device: Device, address: BacnetAddress) -> tuple[float | None, ...] | None:
        """Return the priority array alone; None where the object has none."""
        array = await _Asking(self, device, object_key(address)).maybe("priority-array", PriorityArray)
        return None if array is None else tuple(_entry(one) for one in array)

    async def _identify(self, device: Device) -> None:
        """Make sure that the device at the address is the one that is meant: its device object answers by its instance."""
        asking = _Asking(self, device, object_key_of("device", device.unit))
        found = await asking.value("object-identifier", ObjectIdentifier)
        if found is None or int(found[1]) != device.unit:
            raise ReplyUnusable(device.id, f"another device stands at {device.station}")

    async def _origins(
        self, ask: _Asking, device: Device, slots: tuple[float | None, ...] | None, on: bool
    ) -> dict[str, Any]:
        """Return who holds what since when, as far as the device says; asked only where something is held."""
        if slots is None or not any(held is not None for held in slots):
            return {}
        sources = await ask.maybe("value-source-array", _SOURCES)
        times = await ask.maybe("command-time-array", _TIMES)
        found: dict[str, Any] = {
            "held_by": tuple(map(_source, sources)) if sources is not None else (),
            "held_since": tuple(map(_time_text, times)) if times is not None else (),
        }
        if times is not None and slots[_MINIMUM_SLOT - 1] is not None:
            found["minimum_left_s"] = await self._minimum_left_s(ask, device, times[_MINIMUM_SLOT - 1], on)
        return found

    async def _minimum_left_s(self, ask: _Asking, device: Device, began: Untyped, on: bool) -> float | None:
        least_s = _number(await ask.maybe("minimum-on-time" if on else "minimum-off-time", Unsigned))
        clock = _Asking(self, device, object_key_of("device", device.unit))
        time, date = await clock.maybe("local-time", Time), await clock.maybe("local-date", Date)
        stamp = getattr(began, "dateTime", None)
        if least_s is None or time is None or date is None or stamp is None:
            return None
        ran_s = _days_s(date, stamp.date) + _seconds(time) - _seconds(stamp.time)
        return max(0.0, least_s - ran_s)


Looker = TypeVar("Looker", bound=BacnetLooker)


@asynccontextmanager
async def by_adapter(
    plant: Plant, kind: Callable[[Adapter], AbstractAsyncContextManager[Looker]]
) -> AsyncIterator[dict[Adapter, Looker]]:
    """Open a socket of a kind for each adapter of a plant, with a port that the computer chooses: the polling has its own."""
    async with AsyncExitStack() as stack:
        yield {
            adapter: await stack.enter_async_context(kind(replace(adapter, port=0)))
            for adapter in plant.adapters_used()
        }


class _Asking:
    """Reads properties of one object, each decoded by bacpypes3 as the type it must be."""

    def __init__(self, network: BacnetNetwork, device: Device, key: int) -> None:
        self._network, self._device, self._key = network, device, key
        self._place: Place = place_of(device)

    async def maybe(self, name: str, kind: Untyped) -> Untyped:
        """Return a property, or None where the object does not have it or refuses it."""
        try:
            return await self.value(name, kind)
        except DeviceRefused:
            return None

    async def value(self, name: str, kind: Untyped) -> Untyped:
        """Return a property; DriverError if it does not come or is no such thing."""
        device = self._device
        octets = await self._network.ask(
            device.id, self._place, READ_PROPERTY, _encode_read(self._key, _NUMBERS[name]),
            within_s=device.timeout_s, trace=ignore,
        )  # fmt: skip
        answer = ComplexAckPDU(READ_PROPERTY, 0)
        answer.put_data(octets)
        try:
            return ReadPropertyACK.decode(answer).propertyValue.cast_out(kind)
        except Exception as error:  # noqa: BLE001 - bacpypes3 raises what it pleases over octets that are no such value
            raise ReplyUnusable(device.id, f"{name} cannot be read: {type(error).__name__}") from None


def _encode_read(key: int, number: int) -> bytes:
    """Return ReadProperty also for properties whose number takes two octets."""
    return encode_read(key, number) if number < 256 else encode_read(key, 0)[:-2] + b"\x1a" + number.to_bytes(2, "big")


def _number(value: Untyped) -> float | None:
    if value is None or isinstance(value, Null):
        return None
    number = float(value)
    return number if math.isfinite(number) else None


def _entry(entry: Untyped) -> float | None:
    """Return what one priority holds; what is held and no number counts as held: NaN equals nobody's value."""
    kind = entry._choice  # noqa: SLF001 - the stack offers no other way to ask which alternative it is
    if kind in {None, "null"}:
        return None
    try:
        return float(getattr(entry, kind))
    except (TypeError, ValueError):
        return math.nan


def _source(source: Untyped) -> str:
    kind = source._choice  # noqa: SLF001
    if kind == "address":
        mac = bytes(source.address.macAddress)
        if len(mac) == 6:
            where = f"{'.'.join(map(str, mac[:4]))}:{int.from_bytes(mac[4:], 'big')}"
        else:
            where = f"station {mac.hex()}"
        network = int(source.address.networkNumber)
        return f"{where} on network {network}" if network else where
    if kind == "object":
        return f"object {source.object.objectIdentifier} of {source.object.deviceIdentifier or 'the device itself'}"
    return ""


def _time_text(stamp: Untyped) -> str:
    at: DateTime | None = getattr(stamp, "dateTime", None)
    if at is None:
        return ""
    year, month, day = (int(part) for part in tuple(at.date)[:3])
    hour, minute, second = (int(part) for part in tuple(at.time)[:3])
    return f"{year + 1900:04d}-{month:02d}-{day:02d} {hour:02d}:{minute:02d}:{second:02d}"


def _seconds(time: Untyped) -> float:
    hour, minute, second, hundredth = (int(part) for part in tuple(time)[:4])
    return hour * 3_600 + minute * 60 + second + hundredth / 100


def _days_s(late: Untyped, early: Untyped) -> float:
    """Return the time between two dates [s]; of one day it is 0, across midnight one day: minimum times are no longer."""
    return 0.0 if tuple(late)[:3] == tuple(early)[:3] else _DAY_S
