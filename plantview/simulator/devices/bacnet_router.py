"""A router in front of a simulated BACnet network: one UDP address, several controllers behind it.

Messages between the two networks follow ANSI/ASHRAE 135, clause 6; on its own network every
controller has a station number of one octet, as on a serial trunk.
"""

from __future__ import annotations

import asyncio
from typing import Final

from bacpypes3.app import Application
from bacpypes3.comm import bind
from bacpypes3.netservice import NetworkServiceAccessPoint, NetworkServiceElement
from bacpypes3.pdu import PDU, IPv4Address, LocalBroadcast, LocalStation
from bacpypes3.vlan import Network, Node

from plantview.simulator.devices.attention import Attention
from plantview.simulator.devices.bacnet_socket import DatagramSocket, listen

ROUTER_STATION: Final = 0xFE


class _Station(Node[LocalStation]):  # type: ignore[misc]
    """Where one controller is connected; what it does not hear goes past it."""

    def __init__(self, number: int, lan: Network[LocalStation], attention: Attention) -> None:
        super().__init__(LocalStation(number), lan)
        self._attention = attention

    async def response(self, pdu: PDU) -> None:
        """Hand a message up to the controller."""
        if await self._attention.heard():
            await super().response(pdu)


class Router:
    """Listens for as long as at least one controller stands behind it."""

    def __init__(self, network: int) -> None:
        self.network = network
        self._front = next(number for number in (1, 2) if number != network)
        """Number of the BACnet/IP network: the stack routes only between numbered ones."""
        self._lan: Network[LocalStation] = Network(f"network {network}", broadcast_address=LocalBroadcast())
        self._socket: DatagramSocket | None = None
        self._stations: dict[Application, _Station] = {}

    async def attach(self, application: Application, address: IPv4Address, number: int, attention: Attention) -> None:
        """Put a controller on the network behind; OSError when the router's address cannot be had."""
        if self._socket is None:
            access = NetworkServiceAccessPoint()
            bind(NetworkServiceElement(), access)
            self._socket = listen(access, address, Attention(), lambda _datagram: None, self._front)
            access.bind(Node(LocalStation(ROUTER_STATION), self._lan), net=self.network)
            await self._socket.opened()
        station = _Station(number, self._lan, attention)
        application.nsap.bind(station, address=LocalStation(number))
        self._stations[application] = station

    async def detach(self, application: Application) -> None:
        """Take a controller off; with the last one the router closes its address."""
        self._lan.remove_node(self._stations.pop(application))
        if not self._stations and self._socket is not None:
            self._socket.close()
            self._socket = None
            for other in tuple(self._lan.nodes):
                self._lan.remove_node(other)
            await asyncio.sleep(0)  # lets the transports close their sockets
