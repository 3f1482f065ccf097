"""The UDP side of a simulated controller or router: exclusive binding and broadcasts."""

from __future__ import annotations

import asyncio
import socket
from collections.abc import Callable
from typing import Any

from bacpypes3.comm import bind
from bacpypes3.ipv4 import IPv4DatagramProtocol, IPv4DatagramServer
from bacpypes3.ipv4.bvll import BVLLCodec
from bacpypes3.ipv4.service import BIPNormal, UDPMultiplexer
from bacpypes3.pdu import PDU, IPv4Address

from plantview.simulator.devices.attention import Attention
from plantview.simulator.devices.listening import udp_socket

Shortcut = Callable[[bytes], bytes | None]
"""Gives the answer to a datagram, or None where the protocol stack has to find it."""
AccessPoint = Any
"""The stack's network access point."""


class DatagramSocket(IPv4DatagramServer):  # type: ignore[misc]
    """Sockets of one controller: its own address, bound exclusively, and the broadcast address of its network."""

    def __init__(self, address: IPv4Address, attention: Attention, shortcut: Shortcut) -> None:
        self._open = True
        self._attention = attention
        self._shortcut = shortcut
        self._bound = {address.addrTuple: udp_socket(*address.addrTuple)}
        try:
            if address.addrBroadcastTuple != address.addrTuple:
                self._bound[address.addrBroadcastTuple] = udp_socket(*address.addrBroadcastTuple, shared=True)
        except OSError:
            self._bound[address.addrTuple].close()
            raise
        super().__init__(address)

    async def retrying_create_datagram_endpoint(
        self,
        loop: asyncio.AbstractEventLoop,
        addrTuple: tuple[str, int],  # noqa: N803 - named by the stack
        bind_socket: socket.socket | None = None,  # noqa: ARG002
    ) -> tuple[asyncio.DatagramTransport, asyncio.DatagramProtocol]:
        """Use the sockets bound above; the stack's own way retries for ever and shares ports in silence."""
        return await loop.create_datagram_endpoint(self._protocol, sock=self._bound[addrTuple])

    def _protocol(self) -> asyncio.DatagramProtocol:
        protocol: asyncio.DatagramProtocol = IPv4DatagramProtocol()
        protocol.server = self  # type: ignore[attr-defined]
        return protocol

    async def opened(self) -> None:
        """Wait until both sockets are served."""
        await asyncio.gather(*self._transport_tasks)
        await asyncio.sleep(0)  # the stack takes the transports over in a callback of these tasks

    def close(self) -> None:
        """Close both sockets; datagrams that wait for their turn are dropped."""
        self._open = False
        super().close()

    async def indication(self, pdu: PDU) -> None:
        """Send a datagram; one that is late for the closing is dropped."""
        if self._open:
            await super().indication(pdu)

    async def confirmation(self, pdu: PDU) -> None:
        """Take a datagram in; a silent device hears nothing, a slow one thinks first."""
        if not (await self._attention.heard() and self._open):
            return
        answer = self._shortcut(bytes(pdu.pduData))
        if answer is None:
            await super().confirmation(pdu)
        elif self.local_transport is not None:  # None for the moment in which the stack is still opening
            self.local_transport.sendto(answer, pdu.pduSource.addrTuple)


def listen(
    access: AccessPoint, address: IPv4Address, attention: Attention, shortcut: Shortcut, network: int | None = None
) -> DatagramSocket:
    """Put an access point on the network; OSError when the address cannot be had.

    ``network`` is the number by which a router knows this network.
    """
    server = DatagramSocket(address, attention, shortcut)
    link, codec, multiplexer = BIPNormal(), BVLLCodec(), UDPMultiplexer()
    bind(link, codec, multiplexer.annexJ)
    bind(multiplexer, server)
    access.bind(link, net=network, address=address)
    return server
