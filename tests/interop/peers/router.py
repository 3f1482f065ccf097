"""A router from BACnet/IP to a network of virtual stations, made of bacpypes3's own network layer."""

from __future__ import annotations

import asyncio
import itertools
from collections.abc import AsyncIterator, Mapping
from contextlib import asynccontextmanager

from bacpypes3.app import Application
from bacpypes3.comm import bind
from bacpypes3.ipv4.link import NormalLinkLayer
from bacpypes3.local.analog import AnalogInputObject
from bacpypes3.local.device import DeviceObject
from bacpypes3.netservice import NetworkServiceAccessPoint, NetworkServiceElement
from bacpypes3.pdu import IPv4Address, LocalStation
from bacpypes3.vlan import VirtualNetwork
from bacpypes3.vlan.link import VirtualLinkLayer

_names = itertools.count()


@asynccontextmanager
async def routing(port: int, network: int, stations: Mapping[int, int]) -> AsyncIterator[dict[int, Application]]:
    """Serve ``stations`` (address on the network -> device instance), each with one analog input whose value is its instance."""
    name = f"stations-{next(_names)}"
    VirtualNetwork(name)
    sap, element = NetworkServiceAccessPoint(), NetworkServiceElement()
    bind(element, sap)
    outside = NormalLinkLayer(IPv4Address(f"127.0.0.1:{port}"))
    sap.bind(outside, 1, IPv4Address(f"127.0.0.1:{port}"))
    sap.bind(VirtualLinkLayer(LocalStation(254), name), network, LocalStation(254))
    devices = {}
    for place, instance in stations.items():
        own = DeviceObject(objectIdentifier=("device", instance), objectName=f"D{instance}", vendorIdentifier=0)
        value = AnalogInputObject(
            objectIdentifier=("analog-input", 1),
            objectName="A1",
            presentValue=float(instance),
            statusFlags=[0, 0, 0, 0],
            eventState="normal",
            outOfService=False,
            units="kilowatts",
        )
        application = Application.from_object_list([own, value])
        application.nsap.bind(VirtualLinkLayer(LocalStation(place), name), None, LocalStation(place))
        devices[place] = application
    while outside.server.local_transport is None:  # noqa: ASYNC110 - it offers no event
        await asyncio.sleep(0)
    try:
        yield devices
    finally:
        outside.close()
        await asyncio.sleep(0)
