"""A BACnet/IP device on loopback that behaves, or misbehaves in one named way.

It shares no line with the drivers: its octets are written out here, as in ANSI/ASHRAE 135 clause 20
and annex J (from memory; the honest behaviour is read by bacpypes3 in test_bacnet_faults).
A behaviour takes a request and returns the APDUs to send.
"""

from __future__ import annotations

import asyncio
import struct
from collections.abc import AsyncIterator, Callable
from contextlib import asynccontextmanager
from dataclasses import dataclass, field
from typing import cast

PRESENT_VALUE, STATUS_FLAGS, RELIABILITY, MAX_APDU, SEGMENTATION = 85, 111, 103, 62, 107
DEVICE = 8


@dataclass(frozen=True)
class Request:
    """A confirmed request, taken apart."""

    invoke: int
    service: int
    asked: tuple[tuple[int, int], ...]
    """(object key, property)."""

    @property
    def objects(self) -> list[int]:
        return list(dict.fromkeys(key for key, _ in self.asked))


Behaviour = Callable[["Device", Request], list[bytes]]


@dataclass
class Device(asyncio.DatagramProtocol):
    """Serves analog inputs 1..n with the value 10 × instance, and a device object."""

    behaviour: Behaviour
    instance: int = 77
    objects: int = 3
    services: list[int] = field(default_factory=list)
    """Service choice of everything that came in, reads and others alike."""
    asked: list[Request] = field(default_factory=list)
    port: int = 0
    transport: asyncio.DatagramTransport | None = None

    def connection_made(self, transport: asyncio.BaseTransport) -> None:
        self.transport = cast("asyncio.DatagramTransport", transport)
        self.port = transport.get_extra_info("sockname")[1]

    def datagram_received(self, data: bytes, addr: tuple[str, int]) -> None:
        apdu = data[6:]
        if data[:2] != b"\x81\x0a" or apdu[0] >> 4 != 0:
            return
        request = Request(apdu[2], apdu[3], parse(apdu[3], apdu[4:]))
        self.services.append(request.service)
        self.asked.append(request)
        for answer in self.behaviour(self, request):
            self.send(answer, addr)

    def send(self, apdu: bytes, addr: tuple[str, int]) -> None:
        assert self.transport is not None
        self.transport.sendto(b"\x81\x0a" + struct.pack(">H", len(apdu) + 6) + b"\x01\x00" + apdu, addr)

    def value(self, key: int, prop: int) -> bytes:
        """Return one property, tagged; an error where there is none."""
        kind, instance = key >> 22, key & 0x3FFFFF
        if kind == DEVICE and instance == self.instance:
            return {MAX_APDU: b"\x22\x05\xc4", SEGMENTATION: b"\x91\x03"}.get(prop, b"")
        if kind == 0 and 1 <= instance <= self.objects:
            return {PRESENT_VALUE: real(10.0 * instance), STATUS_FLAGS: flags(0), RELIABILITY: b"\x91\x00"}.get(
                prop, b""
            )
        return b""


def parse(service: int, payload: bytes) -> tuple[tuple[int, int], ...]:
    """Return what a ReadProperty or ReadPropertyMultiple request asks."""
    if service == 12:
        return ((int.from_bytes(payload[1:5], "big"), payload[6]),)
    asked, at = [], 0
    while service == 14 and at < len(payload):
        key, at = int.from_bytes(payload[at + 1 : at + 5], "big"), at + 6
        while payload[at] != 0x1F:
            asked.append((key, payload[at + 1]))
            at += 2
        at += 1
    return tuple(asked)


def real(value: float) -> bytes:
    return b"\x44" + struct.pack(">f", value)


def flags(bits: int) -> bytes:
    """Return status flags: in-alarm 8, fault 4, overridden 2, out-of-service 1."""
    return bytes((0x82, 0x04, bits << 4))


def error(key_error: int = 31, error_class: int = 1) -> bytes:
    """Return error class and code; class 1 is object, code 31 unknown-object."""
    return bytes((0x91, error_class, 0x91, key_error))


def answer(request: Request, values: dict[tuple[int, int], bytes]) -> bytes:
    """Return a ComplexAck of either read service; an empty value becomes an error."""
    head = bytes((0x30, request.invoke, request.service))
    if request.service == 12:
        ((key, prop),) = request.asked
        value = values[key, prop]
        if not value:
            return bytes((0x50, request.invoke, 12)) + error()
        return head + b"\x0c" + key.to_bytes(4, "big") + bytes((0x19, prop)) + b"\x3e" + value + b"\x3f"
    body = b""
    for key in request.objects:
        body += b"\x0c" + key.to_bytes(4, "big") + b"\x1e"
        for one, prop in request.asked:
            if one == key:
                value = values[key, prop]
                body += bytes((0x29, prop)) + (b"\x4e" + value + b"\x4f" if value else b"\x5e" + error() + b"\x5f")
        body += b"\x1f"
    return head + body


def honest_values(device: Device, request: Request) -> dict[tuple[int, int], bytes]:
    return {(key, prop): device.value(key, prop) for key, prop in request.asked}


def honest(device: Device, request: Request) -> list[bytes]:
    return [answer(request, honest_values(device, request))]


def is_poll(request: Request) -> bool:
    """Tell the polled values from what is asked of the device object."""
    return request.service == 14 or request.asked[0][1] == PRESENT_VALUE


def with_value(value: bytes, *, prop: int = PRESENT_VALUE, instance: int = 1) -> Behaviour:
    """Return a behaviour that answers one property of one object with other octets."""

    def behave(device: Device, request: Request) -> list[bytes]:
        values = honest_values(device, request)
        values.update({at: value for at in values if at == (instance, prop)})
        return [answer(request, values)]

    return behave


def on_polls(make: Callable[[Device, Request], list[bytes]]) -> Behaviour:
    """Return a behaviour that is honest about the device object and otherwise does what ``make`` does."""
    return lambda device, request: make(device, request) if is_poll(request) else honest(device, request)


@asynccontextmanager
async def serving(
    behaviour: Behaviour, *, port: int = 0, instance: int = 77, objects: int = 3
) -> AsyncIterator[Device]:
    """Serve one device until the block ends."""
    transport, device = await asyncio.get_running_loop().create_datagram_endpoint(
        lambda: Device(behaviour, instance, objects), local_addr=("127.0.0.1", port)
    )
    try:
        yield device
    finally:
        transport.close()
        await asyncio.sleep(0)
