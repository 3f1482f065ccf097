"""Independent servers behind one interface, so that one suite holds every driver to the same promises.

BACnet: rusty-bacnet (Rust), node-bacnet (JavaScript) and bacpypes3's server. Modbus: pyModbusTCP, libmodbus (C) and pymodbus's server.
Each serves points P1 to P{POINTS}, whose value starts at 10 × number, and lacks MISSING.
"""

from __future__ import annotations

import asyncio
import socket
from collections.abc import Callable
from typing import Any, Final, Protocol

from plantview.config.ports import free_port
from plantview.model.plant import Device
from plantview.model.point import Point
from tests.faults.polled import LOOPBACK, bacnet_device, modbus_device, object_point, register_point
from tests.interop.peers import javascript
from tests.interop.peers.libmodbus import LibModbus

POINTS: Final = 80
MISSING: Final = "P-MISSING"
INSTANCE: Final = 4_711


class Peer(Protocol):
    """A device of somebody else's making."""

    device: Device

    def points(self) -> list[Point]: ...
    async def start(self) -> None: ...
    async def stop(self) -> None: ...
    async def put(self, number: int, value: float) -> None: ...


class _Bacnet:
    def __init__(self) -> None:
        self.port = free_port(socket.SOCK_DGRAM)
        self.device = bacnet_device("BC-1", self.port, INSTANCE, timeout_s=0.5)

    def points(self) -> list[Point]:
        known = [object_point(f"P{number}", self.device, f"analog-input,{number}") for number in range(1, POINTS + 1)]
        return [*known, object_point(MISSING, self.device, "analog-input,9999")]


class RustyBacnet(_Bacnet):
    """rusty-bacnet's server."""

    async def start(self) -> None:
        from rusty_bacnet import BACnetServer

        self._server: Any = BACnetServer(
            device_instance=INSTANCE, device_name="peer", interface=LOOPBACK, port=self.port, broadcast_address=LOOPBACK
        )
        for number in range(1, POINTS + 1):
            self._server.add_analog_input(instance=number, name=f"P{number}", units=62, present_value=10.0 * number)
        await self._server.start()

    async def stop(self) -> None:
        await self._server.stop()

    async def put(self, number: int, value: float) -> None:
        from rusty_bacnet import ObjectIdentifier, ObjectType, PropertyValue

        await self._server.set_present_value_local(
            ObjectIdentifier(ObjectType.ANALOG_INPUT, number), PropertyValue.real(value)
        )


class NodeBacnet(_Bacnet):
    """node-bacnet as a device, a process of its own."""

    async def start(self) -> None:
        self._server = javascript.served(self.port, INSTANCE, POINTS)
        await self._server.start()

    async def stop(self) -> None:
        await self._server.stop()

    async def put(self, number: int, value: float) -> None:
        await self._server.put(number, value)


class Bacpypes3(_Bacnet):
    """bacpypes3's server, which shares the transport with our driver but neither its encoder nor its decoder."""

    async def start(self) -> None:
        from bacpypes3.ipv4.app import NormalApplication
        from bacpypes3.local.analog import AnalogInputObject
        from bacpypes3.local.device import DeviceObject
        from bacpypes3.pdu import IPv4Address

        own = DeviceObject(objectIdentifier=("device", INSTANCE), objectName="peer", vendorIdentifier=0)
        self._application: Any = NormalApplication(own, IPv4Address(f"{LOOPBACK}:{self.port}"))
        self._inputs = {}
        for number in range(1, POINTS + 1):
            self._inputs[number] = AnalogInputObject(
                objectIdentifier=("analog-input", number),
                objectName=f"P{number}",
                presentValue=10.0 * number,
                statusFlags=[0, 0, 0, 0],
                eventState="normal",
                outOfService=False,
                units="kilowatts",
            )
            self._application.add_object(self._inputs[number])
        while self._application.normal.server.local_transport is None:  # noqa: ASYNC110 - it offers no event
            await asyncio.sleep(0)

    async def stop(self) -> None:
        self._application.close()
        await asyncio.sleep(0)

    async def put(self, number: int, value: float) -> None:
        self._inputs[number].presentValue = value


class _Modbus:
    def __init__(self) -> None:
        self.port = free_port(socket.SOCK_STREAM)
        self.device = modbus_device("CH-1", self.port, 1, timeout_s=0.5)

    def points(self) -> list[Point]:
        known = [register_point(f"P{number}", self.device, f"holding {number}") for number in range(1, POINTS + 1)]
        return [*known, register_point(MISSING, self.device, "input 65535", "uint16")]


class PyModbusTcp(_Modbus):
    """pyModbusTCP's server, in a thread of its own."""

    async def start(self) -> None:
        from pyModbusTCP.server import DataBank, ModbusServer

        bank = DataBank(h_regs_size=POINTS + 1, i_regs_size=16)
        self._server: Any = ModbusServer(LOOPBACK, self.port, no_block=True, data_bank=bank)
        bank.set_holding_registers(0, [10 * number for number in range(POINTS + 1)])
        await asyncio.to_thread(self._server.start)

    async def stop(self) -> None:
        await asyncio.to_thread(self._server.stop)

    async def put(self, number: int, value: float) -> None:
        self._server.data_bank.set_holding_registers(number, [int(value)])


class PymodbusServer(_Modbus):
    """pymodbus's server, which shares the framing with our driver but neither the checks nor the decoding."""

    async def start(self) -> None:
        from pymodbus.server import ModbusTcpServer
        from pymodbus.simulator import DataType, SimData, SimDevice

        bits = [SimData(0, count=16, values=[False], datatype=DataType.BITS)]
        device = SimDevice(
            1,
            simdata=(
                bits,
                bits,
                [SimData(0, values=[10 * number for number in range(POINTS + 1)], datatype=DataType.REGISTERS)],
                [SimData(0, values=[0], datatype=DataType.REGISTERS)],
            ),
        )
        self._server: Any = ModbusTcpServer([device], address=(LOOPBACK, self.port))
        await self._server.serve_forever(background=True)

    async def stop(self) -> None:
        await self._server.shutdown()
        await asyncio.sleep(0)

    async def put(self, number: int, value: float) -> None:
        await self._server.async_setValues(1, 16, number, [int(value)])


class LibModbusServer(_Modbus):
    """libmodbus's server, a process of its own."""

    async def start(self) -> None:
        self._server = LibModbus(self.port)
        await self._server.start()
        for number in range(POINTS + 1):
            await self._server.put(number, 10 * number)

    async def stop(self) -> None:
        await self._server.stop()

    async def put(self, number: int, value: float) -> None:
        await self._server.put(number, value)


PEERS: Final[dict[str, Callable[[], Peer]]] = {
    "rusty-bacnet": RustyBacnet,
    "node-bacnet": NodeBacnet,
    "bacpypes3": Bacpypes3,
    "pyModbusTCP": PyModbusTcp,
    "pymodbus": PymodbusServer,
    "libmodbus": LibModbusServer,
}
