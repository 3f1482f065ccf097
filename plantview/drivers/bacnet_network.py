"""One adapter on BACnet/IP: bacpypes3's transport, with answers to reads handed over undecoded.

bacpypes3 carries the datagrams, the routing and the transactions. Its typed decoding is
bypassed for what is polled: there one odd value spoils the whole answer, and an undecodable one
is never delivered at all.
"""

from __future__ import annotations

import asyncio
import ipaddress
import logging
from collections.abc import Callable
from typing import Any, Final, Self

from bacpypes3.apdu import (
    ComplexAckPDU,
    ConfirmedRequestPDU,
    ErrorRejectAbortNack,
    IAmRequest,
    RejectPDU,
    SimpleAckPDU,
    UnconfirmedCOVNotificationRequest,
    WhoIsRequest,
)
from bacpypes3.app import Application
from bacpypes3.appservice import ServiceAccessPoint
from bacpypes3.object import DeviceObject
from bacpypes3.pdu import Address, GlobalBroadcast, IPv4Address, RemoteStation

from plantview.drivers.bacnet_codec import READ_PROPERTY, READ_PROPERTY_MULTIPLE
from plantview.drivers.bacnet_link import ForeignLink, broadcast_ear, exclusive_socket, open_link
from plantview.drivers.bacnet_refusals import named
from plantview.drivers.exchange import Trace, exchange
from plantview.errors import DeviceSilent, DeviceUnreachable, DriverError, ReplyUnusable
from plantview.model.plant import Adapter

__all__ = ["MAX_APDU_OURS", "BacnetNetwork", "Place", "exclusive_socket"]

MAX_APDU_OURS: Final = 1476
"""Largest APDU that fits one Ethernet frame; every request announces it."""
READ_RANGE: Final = 26
GET_EVENT_INFORMATION: Final = 29
SUBSCRIBE_COV: Final = 5
READS: Final = frozenset({READ_PROPERTY, READ_PROPERTY_MULTIPLE, READ_RANGE, GET_EVENT_INFORMATION})
"""Confirmed services that only read."""
_OWN_INSTANCE: Final = 4_194_302
"""Never announced: this program answers no Who-Is and serves no object."""
_TRANSACTION_MS: Final = 60_000
"""bacpypes3's own timer stays behind every deadline of ours; ``ask`` ends the transaction."""
_ABORTED: Final = 7
"""bacpypes3's number for a transaction that ended without an answer."""
_UNRECOGNIZED_SERVICE: Final = 9
_LOG: Final = logging.getLogger(__name__)
# bacpypes3 writes a page to the log for every datagram that it cannot decode; what comes of it is ours to name.
logging.getLogger("bacpypes3").setLevel(logging.CRITICAL)
Place = tuple[str, int] | tuple[str, int, int, str]
"""Host and port of a device; behind a router also its network number and its station as hex octets."""
Heard = Callable[[str, Any], None]
"""Takes where it came from, and the I-Am or the notification."""


class BacnetNetwork:
    """The one UDP socket of an adapter. What it may send is listed: reads, Who-Is, and COV subscriptions."""

    def __init__(self, adapter: Adapter) -> None:
        host, _, mask = adapter.address.partition("/")
        bound = exclusive_socket(host, adapter.port)
        local = IPv4Address(bound.getsockname())
        own = DeviceObject(
            objectIdentifier=("device", _OWN_INSTANCE), objectName="plantview reader", vendorIdentifier=0,
            maxApduLengthAccepted=MAX_APDU_OURS, segmentationSupported="segmented-receive", maxSegmentsAccepted=64,
            apduTimeout=_TRANSACTION_MS, apduSegmentTimeout=_TRANSACTION_MS, numberOfApduRetries=0,
        )  # fmt: skip
        self._application: Application = Application.from_object_list([own])
        self._application.indication = self._hear
        self._link = open_link(local, bound, adapter.bbmd, adapter.ttl_s)
        self._application.nsap.bind(self._link, address=local)
        self._application.asap.sap_response = self._pass_undecoded
        self._everybody = str(ipaddress.IPv4Interface(f"{host}/{mask or 32}").network.broadcast_address)
        self._places: dict[Place, Address] = {}
        self._renewal: asyncio.Task[None] | None = None
        self._ear: asyncio.DatagramTransport | None = None
        self.heard_i_am: Heard | None = None
        self.heard_change: Heard | None = None
        self.port: int = bound.getsockname()[1]

    async def __aenter__(self) -> Self:
        while self._link.server.local_transport is None:  # noqa: ASYNC110 - bound already: a few turns
            await asyncio.sleep(0)
        self._link.server.broadcast_address = (self._everybody, self.port)
        if isinstance(self._link, ForeignLink):
            self._renewal = asyncio.create_task(self._link.keep_registered())
        else:
            self._ear = await broadcast_ear(self._link, self._everybody, self.port)
        return self

    async def __aexit__(self, *_: object) -> None:
        """Drop what is under way and close the socket."""
        if self._renewal is not None:
            self._renewal.cancel()
            await asyncio.gather(self._renewal, return_exceptions=True)
        for transaction in list(self._application.asap.clientTransactions):
            transaction.set_state(_ABORTED)
        if self._ear is not None:
            self._ear.close()
        self._link.close()
        await asyncio.sleep(0)

    @property
    def registration(self) -> str:
        """Return the state of the registration as a foreign device; empty where none is wanted."""
        return self._link.state if isinstance(self._link, ForeignLink) else ""

    async def ask(
        self, device: str, to: Place, service: int, payload: bytes, *, within_s: float, trace: Trace
    ) -> bytes:
        """Return the undecoded answer to one read; any failure is a DriverError by name."""
        if service not in READS:
            raise ValueError(f"service {service} is no read")
        return await self._traced(device, to, service, payload, within_s, trace)

    async def subscribe(self, device: str, to: Place, payload: bytes, *, within_s: float, trace: Trace) -> None:
        """Ask a device to tell changes of one object for a while: the only request that is no read."""
        await self._traced(device, to, SUBSCRIBE_COV, payload, within_s, trace)

    async def who_is(self, instance: int) -> None:
        """Ask on every network who has this instance; the answers come to ``heard_i_am``."""
        request = WhoIsRequest(deviceInstanceRangeLowLimit=instance, deviceInstanceRangeHighLimit=instance)
        request.pduDestination = GlobalBroadcast()
        await self._application.request(request)

    async def _traced(
        self, device: str, to: Place, service: int, payload: bytes, within_s: float, trace: Trace
    ) -> bytes:
        try:
            answer = await self._exchange(device, to, service, payload, within_s)
        except DriverError as error:
            trace(exchange(bytes((service,)) + payload, b"", error.detail))
            raise
        trace(exchange(bytes((service,)) + payload, bytes((service,)) + answer, "ok"))
        return answer

    async def _exchange(self, device: str, to: Place, service: int, payload: bytes, within_s: float) -> bytes:
        request = ConfirmedRequestPDU(service, destination=await self._reach(device, to))
        request.put_data(payload)
        try:
            async with asyncio.timeout(within_s):
                reply = await self._application.request(request)
        except TimeoutError:
            raise DeviceSilent(device, f"no answer in {within_s:g} s") from None
        except ErrorRejectAbortNack as error:  # a BaseException: this is the only place that may meet it
            raise named(device, error) from None
        finally:
            self._forget(request)
        kind = SimpleAckPDU if service == SUBSCRIBE_COV else ComplexAckPDU
        if not isinstance(reply, kind) or reply.apduService != service:
            raise ReplyUnusable(device, "the answer is of another kind than the question")
        return bytes(reply.pduData)

    def known_as(self, to: Place) -> str:
        """Return the name under which something heard from there arrives; empty for what is no address."""
        try:
            return str(_address(to))
        except ValueError:
            return ""

    async def _reach(self, device: str, to: Place) -> Address:
        """Return the address as bacpypes3 has it, its router made known."""
        found = self._places.get(to)
        if found is None:
            try:
                found, router = _address(to), _address(to[:2])
            except ValueError as error:
                raise DeviceUnreachable(device, f"{to[0]} is no IPv4 address: {error}") from error
            self._places[to] = found
            if len(to) == 4:
                await self._application.nsap.update_router_references(None, router, [to[2]])
        return found

    def _forget(self, request: ConfirmedRequestPDU) -> None:
        """End a transaction whose deadline passed, so that its timer does not outlive the question."""
        for transaction in list(self._application.asap.clientTransactions):
            if transaction.invokeID == request.apduInvokeID and transaction.pdu_address == request.pduDestination:
                transaction.set_state(_ABORTED)

    async def _pass_undecoded(self, apdu: object) -> None:
        await ServiceAccessPoint.sap_response(self._application.asap, apdu)

    async def _hear(self, apdu: object) -> None:
        """Take what comes unasked: who is there, and what changed; every request for a service is rejected."""
        try:
            await self._heard(apdu)
        except Exception:  # noqa: BLE001 - a border: bacpypes3 would drop it in silence
            _LOG.exception("what came unasked could not be taken")

    async def _heard(self, apdu: object) -> None:
        if isinstance(apdu, IAmRequest) and self.heard_i_am:
            self.heard_i_am(str(apdu.pduSource), apdu)
        elif isinstance(apdu, UnconfirmedCOVNotificationRequest) and self.heard_change:
            self.heard_change(str(apdu.pduSource), apdu)
        elif isinstance(apdu, ConfirmedRequestPDU):
            await self._application.response(RejectPDU(reason=_UNRECOGNIZED_SERVICE, context=apdu))


def _address(to: Place) -> IPv4Address | RemoteStation:
    return IPv4Address(to[:2]) if len(to) == 2 else RemoteStation(to[2], bytes.fromhex(to[3]))
