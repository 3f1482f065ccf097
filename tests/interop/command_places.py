"""Equipment to be commanded behind one interface: simulated devices, and servers that nobody here wrote.

BACnet: the simulated controller, rusty-bacnet (Rust). Modbus: the simulated panel, pyModbusTCP.
"""

from __future__ import annotations

import asyncio
import socket
from collections.abc import AsyncIterator, Callable, Iterator
from contextlib import AbstractAsyncContextManager, asynccontextmanager, contextmanager
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Any

from plantview.clock import ManualClock
from plantview.commands.targets import targets
from plantview.config.ports import free_port
from plantview.model.plant import Plant
from plantview.simulator.devices import rig
from tests.interop.simulated import StillPlant, on_free_ports
from tests.unit.command_rig import BACNET, MODBUS, START_MS, Rig, plant_of_two

REST = 44.0


@dataclass
class Place:
    """One device, its commanded point, and what a test may do to it behind our back."""

    rig: Rig
    point: str
    outsider: Callable[[float | None, int], Any]
    """Writes as another program would: a value (None releases) at a priority; without priorities, the register."""
    silence: Callable[[bool], Any]
    """The device neither hears nor answers."""
    arrived: Callable[[], int] | None = None
    """Write services that the device itself counted, where it counts."""
    more: dict[str, Any] = field(default_factory=dict)

    @property
    def sticky(self) -> bool:
        """Whether there are no priorities."""
        return self.point == MODBUS

    @property
    def equipment(self) -> str:
        return self.rig.plant.points[self.point].equipment

    async def held(self) -> float | None:
        """Return what stands in slot 8, or in the register, as read from the device."""
        look = await self.rig.equipment.look(self.rig.plant.points[self.point])
        return look.value if look.sticky else look.slot(8)

    async def shown(self) -> float | None:
        look = await self.rig.equipment.look(self.rig.plant.points[self.point])
        return look.value


class _Obedient(StillPlant):
    """Keeps in its registers what was written to them."""

    def command(self, point: str, value: float | None) -> None:
        super().command(point, value)
        if value is not None and point == MODBUS:
            self.values[point] = value


@asynccontextmanager
async def _simulated(folder: Path, point: str) -> AsyncIterator[Place]:
    plant = on_free_ports(plant_of_two())
    still, clock = _Obedient(plant), ManualClock(START_MS)
    still.values = dict.fromkeys(plant.points, REST) | {"CWP-1.command": 0.0, "CH-1.chw_flow_proof": 1.0}
    async with rig(plant, still, clock) as devices, targets(plant) as equipment:
        ours = Rig(folder, equipment, plant, clock)
        ours.manual = clock
        device = plant.points[point].device

        async def outsider(value: float | None, priority: int) -> None:
            if point == MODBUS:
                still.values[MODBUS] = float(value or 0.0)
                devices.refresh()
                return
            from bacpypes3.primitivedata import Null, Real

            found = devices.controller(device)._contents.by_identifier()  # type: ignore[union-attr]
            commanded = next(one for one in found.values() if str(one.objectIdentifier) == "analog-value,1")
            await commanded.write_property("presentValue", Null(()) if value is None else Real(value), None, priority)

        async def silence(on: bool) -> None:
            devices.silence(device, on)

        yield Place(ours, point, outsider, silence, lambda: devices.writes.count, {"devices": devices, "still": still})


@asynccontextmanager
async def _rusty(folder: Path, point: str) -> AsyncIterator[Place]:
    from rusty_bacnet import BACnetServer, ObjectIdentifier, ObjectType, PropertyIdentifier, PropertyValue

    port = free_port(socket.SOCK_DGRAM)
    server = BACnetServer(
        device_instance=4_711, device_name="peer", interface="127.0.0.1", port=port, broadcast_address="127.0.0.1"
    )
    server.add_analog_value(instance=1, name="setpoint", units=64)
    server.add_binary_output(instance=1, name="start")
    setpoint = ObjectIdentifier(ObjectType.ANALOG_VALUE, 1)
    await server.start()
    default = PropertyIdentifier.RELINQUISH_DEFAULT
    await server.write_property_local(setpoint, default, PropertyValue.real(REST), source_object=None)
    plant = plant_of_two(port)
    with _unplugged(plant, "BC-1") as silence:
        async with targets(plant) as equipment:

            async def outsider(value: float | None, priority: int) -> None:
                typed = PropertyValue.null() if value is None else PropertyValue.real(value)
                await server.write_property_local(
                    setpoint, PropertyIdentifier.PRESENT_VALUE, typed, priority=priority, source_object=None
                )

            yield Place(Rig(folder, equipment, plant), point, outsider, silence)
    await server.stop()


@asynccontextmanager
async def _pymodbustcp(folder: Path, point: str) -> AsyncIterator[Place]:
    from pyModbusTCP.server import DataBank, ModbusServer

    port = free_port(socket.SOCK_STREAM)
    bank = DataBank(h_regs_size=4)
    server = ModbusServer("127.0.0.1", port, no_block=True, data_bank=bank)
    bank.set_holding_registers(0, [round(REST * 10)])
    await asyncio.to_thread(server.start)
    plant = plant_of_two(1, port)
    with _unplugged(plant, "PANEL") as silence:
        async with targets(plant) as equipment:

            async def outsider(value: float | None, _priority: int) -> None:
                bank.set_holding_registers(0, [round(float(value or 0.0) * 10)])

            yield Place(Rig(folder, equipment, plant), point, outsider, silence)
    await asyncio.to_thread(server.stop)


@contextmanager
def _unplugged(plant: Plant, device: str) -> Iterator[Callable[[bool], Any]]:
    """Give what turns the device's address to one that hears and says nothing, and back."""
    own = plant.devices[device]
    kind = socket.SOCK_DGRAM if own.protocol == "bacnet" else socket.SOCK_STREAM
    mute = socket.socket(socket.AF_INET, kind)
    mute.bind(("127.0.0.1", 0))
    if kind == socket.SOCK_STREAM:
        mute.listen(8)

    async def silence(on: bool) -> None:
        there = replace(own, port=mute.getsockname()[1]) if on else own
        plant.devices[device] = there  # type: ignore[index]

    with mute:
        yield silence


PLACES: dict[str, tuple[str, Callable[[Path, str], AbstractAsyncContextManager[Place]]]] = {
    "BACnet, simulated": (BACNET, _simulated),
    "BACnet, rusty-bacnet": (BACNET, _rusty),
    "Modbus, simulated": (MODBUS, _simulated),
    "Modbus, pyModbusTCP": (MODBUS, _pymodbustcp),
}


def place(name: str, folder: Path) -> AbstractAsyncContextManager[Place]:
    """Open a place for the length of a ``with`` block."""
    point, opened = PLACES[name]
    return opened(folder, point)
