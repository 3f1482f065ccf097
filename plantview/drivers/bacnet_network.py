"""One adapter on BACnet/IP: bacpypes3's transport, with answers to reads handed over undecoded.

bacpypes3 carries the datagrams, the routing and the transactions. Its typed decoding is
bypassed for ReadProperty and ReadPropertyMultiple: there one odd value spoils the whole answer,
and an undecodable one is never delivered at all.
"""

from __future__ import annotations

import asyncio
import errno
import socket
from typing import Final, Self

from bacpypes3.apdu import AbortPDU, ComplexAckPDU, ConfirmedRequestPDU, ErrorPDU, ErrorRejectAbortNack, RejectPDU
from bacpypes3.app import Application
from bacpypes3.appservice import ServiceAccessPoint
from bacpypes3.ipv4.link import NormalLinkLayer
from bacpypes3.object import DeviceObject
from bacpypes3.pdu import IPv4Address

from plantview.drivers.bacnet_codec import READ_PROPERTY, READ_PROPERTY_MULTIPLE, decode_error
from plantview.drivers.bacnet_tags import Malformed
from plantview.drivers.bacnet_words import abort_word, reject_word
from plantview.drivers.exchange import Trace, exchange
from plantview.errors import DeviceRefused, DeviceSilent, DeviceUnreachable, DriverError, ReplyUnusable, StartRefused
from plantview.model.plant import Adapter

MAX_APDU_OURS: Final = 1476
"""Largest APDU that fits one Ethernet frame; every request announces it."""
_OWN_INSTANCE: Final = 4_194_302
"""Never announced: this program answers no Who-Is and serves no object."""
_TRANSACTION_MS: Final = 60_000
"""bacpypes3's own timer stays behind every deadline of ours; ``ask`` ends the transaction."""
_NO_ROUTE: Final = frozenset({"unknown-route"})
_NO_ANSWER: Final = frozenset({"no-response", "tsm-timeout"})
_READS: Final = frozenset({READ_PROPERTY, READ_PROPERTY_MULTIPLE})


class BacnetNetwork:
    """The one UDP socket of an adapter. It sends reads only: any other service is a programming mistake."""

    def __init__(self, adapter: Adapter) -> None:
        host, _, _ = adapter.address.partition("/")
        self._socket = exclusive_socket(host, adapter.port)
        bound = IPv4Address(self._socket.getsockname())
        own = DeviceObject(
            objectIdentifier=("device", _OWN_INSTANCE), objectName="plantview reader", vendorIdentifier=0,
            maxApduLengthAccepted=MAX_APDU_OURS, segmentationSupported="segmented-receive", maxSegmentsAccepted=64,
            apduTimeout=_TRANSACTION_MS, apduSegmentTimeout=_TRANSACTION_MS, numberOfApduRetries=0,
        )
        self._application: Application = Application.from_object_list([own])
        self._link = NormalLinkLayer(bound, bind_socket=self._socket)
        self._application.nsap.bind(self._link, address=bound)
        self._application.asap.sap_response = self._pass_undecoded
        self.port: int = self._socket.getsockname()[1]

    async def __aenter__(self) -> Self:
        while self._link.server.local_transport is None:  # noqa: ASYNC110 - bound already: a few turns
            await asyncio.sleep(0)
        return self

    async def __aexit__(self, *_: object) -> None:
        """Drop what is under way and close the socket."""
        for transaction in list(self._application.asap.clientTransactions):
            transaction.set_state(_ABORTED)
        self._link.close()
        await asyncio.sleep(0)

    async def ask(
        self, device: str, to: tuple[str, int], service: int, payload: bytes, *, within_s: float, trace: Trace
    ) -> bytes:
        """Return the undecoded answer to one read; any failure is a DriverError by name."""
        if service not in _READS:
            raise ValueError(f"service {service} is no read")
        try:
            answer = await self._exchange(device, to, service, payload, within_s)
        except DriverError as error:
            trace(exchange(payload, b"", error.detail))
            raise
        trace(exchange(payload, answer, "ok"))
        return answer

    async def _exchange(
        self, device: str, to: tuple[str, int], service: int, payload: bytes, within_s: float
    ) -> bytes:
        try:
            request = ConfirmedRequestPDU(service, destination=IPv4Address(to))
        except (ValueError, OSError) as error:
            raise DeviceUnreachable(device, f"{to[0]} is no IPv4 address: {error}") from error
        request.put_data(payload)
        try:
            async with asyncio.timeout(within_s):
                reply = await self._application.request(request)
        except TimeoutError:
            raise DeviceSilent(device, f"no answer in {within_s:g} s") from None
        except ErrorRejectAbortNack as error:  # a BaseException: this is the only place that may meet it
            raise _named(device, error) from None
        finally:
            self._forget(request)
        if not isinstance(reply, ComplexAckPDU) or reply.apduService != service:
            raise ReplyUnusable(device, "the answer is of another kind than the question")
        return bytes(reply.pduData)

    def _forget(self, request: ConfirmedRequestPDU) -> None:
        """End a transaction whose deadline passed, so that its timer does not outlive the question."""
        for transaction in list(self._application.asap.clientTransactions):
            if transaction.invokeID == request.apduInvokeID and transaction.pdu_address == request.pduDestination:
                transaction.set_state(_ABORTED)

    async def _pass_undecoded(self, apdu: object) -> None:
        await ServiceAccessPoint.sap_response(self._application.asap, apdu)


_ABORTED: Final = 7
"""bacpypes3's number for a transaction that ended without an answer."""


def exclusive_socket(host: str, port: int) -> socket.socket:
    """Return a bound UDP socket that nobody shares; StartRefused says what stands in the way.

    bacpypes3 would bind with SO_REUSEPORT: two programs then both start, and each gets a part of the answers.
    """
    opened = socket.socket(socket.AF_INET, socket.SOCK_DGRAM)
    opened.setblocking(False)
    try:
        opened.bind((host, port))
    except OSError as error:
        opened.close()
        raise StartRefused(_why_not(host, port, error)) from error
    return opened


def _why_not(host: str, port: int, error: OSError) -> str:
    match error.errno:
        case errno.EADDRINUSE:
            return (
                f"UDP port {port} on {host} is taken by another program -> stop that program, "
                f"or choose another port under [bacnet] in plant.toml"
            )
        case errno.EADDRNOTAVAIL:
            return f"this computer has no address {host} -> correct [bacnet] address in plant.toml to one of its own"
        case errno.EACCES:
            return f"UDP port {port} on {host} is reserved -> choose a port above 1023 under [bacnet] in plant.toml"
        case _:
            return f"UDP port {port} on {host} cannot be opened: {error.strerror} -> correct [bacnet] in plant.toml"


def _named(device: str, error: ErrorRejectAbortNack) -> DriverError:
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
