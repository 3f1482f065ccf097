"""The socket under BACnet/IP: nobody shares it, and a foreign device's registration shows its state."""

from __future__ import annotations

import asyncio
import errno
import socket
from typing import Final

from bacpypes3.comm import bind
from bacpypes3.ipv4 import IPv4DatagramProtocol, IPv4DatagramServer
from bacpypes3.ipv4.bvll import BVLLCodec, RegisterForeignDevice, Result
from bacpypes3.ipv4.link import NormalLinkLayer
from bacpypes3.ipv4.service import BIPForeign, UDPMultiplexer
from bacpypes3.pdu import IPv4Address, LocalBroadcast
from typing_extensions import override

from plantview.errors import StartRefused

REGISTERED, UNREGISTERED = 0, -2
"""bacpypes3's numbers: it lets broadcasts pass in the first state only."""
ANSWER_WITHIN_S: Final = 5.0
RENEWALS: Final = 3
"""Renewals within the life of one registration, so that two may be lost."""
WAITING, HELD, UNANSWERED = "registering", "registered", "no answer from the BBMD"


class ForeignLink(BIPForeign):  # type: ignore[misc]
    """Registers at a broadcast relay (BBMD), for ever: bacpypes3 renews too late to survive one lost packet."""

    def __init__(self, local: IPv4Address, bound: socket.socket, bbmd: str, ttl_s: int) -> None:
        super().__init__()
        self.codec, self.multiplexer = BVLLCodec(), UDPMultiplexer()
        self.server = IPv4DatagramServer(local, bind_socket=bound)
        bind(self, self.codec, self.multiplexer.annexJ)
        bind(self.multiplexer, self.server)
        self.bbmdAddress, self.bbmdTimeToLive = IPv4Address(bbmd), ttl_s
        self.state = WAITING
        """``registering``, ``registered``, or why not."""
        self._result = asyncio.Event()

    def close(self) -> None:
        self.server.close()

    async def keep_registered(self) -> None:
        """Register and renew until cancelled."""
        while True:
            self._result.clear()
            await self.request(RegisterForeignDevice(self.bbmdTimeToLive, destination=self.bbmdAddress))
            try:
                await asyncio.wait_for(self._result.wait(), ANSWER_WITHIN_S)
            except TimeoutError:
                self._set(UNREGISTERED, UNANSWERED)
            held = self.bbmdRegistrationStatus == REGISTERED
            await asyncio.sleep(self.bbmdTimeToLive / RENEWALS if held else ANSWER_WITHIN_S)

    @override
    async def confirmation(self, lpdu: object) -> None:
        if not isinstance(lpdu, Result):
            await super().confirmation(lpdu)
        elif lpdu.pduSource == self.bbmdAddress:
            code = int(lpdu.bvlciResultCode)
            self._set(
                REGISTERED if code == 0 else UNREGISTERED, HELD if code == 0 else f"refused with code {code:#06x}"
            )
            self._result.set()

    def _set(self, status: int, state: str) -> None:
        self.bbmdRegistrationStatus, self.state = status, state
        if status == REGISTERED:
            self._registration_event.set()
        else:
            self._registration_event.clear()


def open_link(local: IPv4Address, bound: socket.socket, bbmd: str, ttl_s: int) -> ForeignLink | NormalLinkLayer:
    """Return the link layer on a bound socket: an ordinary device's, or a foreign device's if ``bbmd`` is given."""
    return ForeignLink(local, bound, bbmd, ttl_s) if bbmd else NormalLinkLayer(local, bind_socket=bound)


async def broadcast_ear(link: NormalLinkLayer, everybody: str, port: int) -> asyncio.DatagramTransport | None:
    """Return a second socket for broadcasts: one bound to its own address hears none; None where it cannot be had."""

    def protocol() -> IPv4DatagramProtocol:
        made = IPv4DatagramProtocol()
        made.server, made.destination = link.server, LocalBroadcast()
        return made

    try:
        loop = asyncio.get_running_loop()
        transport, _ = await loop.create_datagram_endpoint(protocol, local_addr=(everybody, port))
    except OSError:
        return None
    return transport


def exclusive_socket(host: str, port: int) -> socket.socket:
    """Return a bound UDP socket that nobody shares; StartRefused says what stands in the way.

    bacpypes3 would bind with SO_REUSEPORT: two programs then both start, and each gets a part of the answers.
    """
    opened = socket.socket(socket.AF_INET, socket.SOCK_DGRAM)
    opened.setblocking(False)
    opened.setsockopt(socket.SOL_SOCKET, socket.SO_BROADCAST, 1)
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
