"""The plant as described: loops of headers and stages, equipment, devices, points."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field
from typing import Any, Final

from plantview.model.keeping import Keeping
from plantview.model.permit import Writes
from plantview.model.point import Point
from plantview.model.rates import Rates


@dataclass(frozen=True, slots=True)
class Port:
    """One water circuit of one piece of equipment, as it stands in a branch."""

    equipment: str
    side: str
    """``evaporator``, ``condenser``, ``warm``…; empty for machines with one circuit."""

    def __str__(self) -> str:
        """Return ``EQUIPMENT`` or ``EQUIPMENT.side``."""
        return f"{self.equipment}.{self.side}" if self.side else self.equipment


@dataclass(frozen=True, slots=True)
class Stage:
    """Parallel branches that lead from one header to another; ports in flow direction."""

    id: str
    kind: str
    start: str
    end: str
    branches: tuple[tuple[Port, ...], ...]

    def ports(self) -> Iterator[Port]:
        """Yield every port of every branch."""
        for branch in self.branches:
            yield from branch


@dataclass(frozen=True, slots=True)
class Bypass:
    """A path without a machine; ``either_way`` marks a decoupler."""

    id: str
    start: str
    end: str
    via: tuple[str, ...]
    either_way: bool


@dataclass(frozen=True, slots=True)
class Loop:
    """A ring of headers and stages, in flow order from ``start``."""

    id: str
    water: str
    """``chilled``, ``condenser`` or ``hot``."""
    start: str
    headers: tuple[str, ...]
    """In ring order, derived from ``start``."""
    stages: tuple[Stage, ...]
    """In ring order."""
    bypasses: tuple[Bypass, ...]
    open_header: str
    """The tower basin header (level and make-up); empty in a closed loop."""
    fluid: str
    """``water``, or glycol by name and mass concentration such as ``MEG 25 %``."""

    def stages_of(self, kind: str) -> tuple[Stage, ...]:
        """Return the stages of one kind, in ring order."""
        return tuple(stage for stage in self.stages if stage.kind == kind)


@dataclass(frozen=True, slots=True)
class Equipment:
    """A piece of steel."""

    id: str
    kind: str
    label: str
    """What the crew calls it; the id if nothing else is said."""
    part_of: str
    """Fans name their cell, basins and meters what they serve; else empty."""
    building: str
    traits: Mapping[str, str]
    """Words such as ``compressor = "centrifugal"``, ``cooling = "water"``, ``refrigerant = "R-134a"``."""
    design: Mapping[str, float]
    """Design data in canonical units, keyed without unit: ``cooling_capacity`` in kW."""


IP_PER_S: Final = 10.0
"""Most requests a second to one IP device or gateway where its description sets no budget (common practice, no source)."""
BEHIND_ROUTER_PER_S: Final = 2.0
"""The same for a network behind a BACnet router (common practice, no source)."""


def usual_per_s(network: int | None) -> float:
    """Return the budget of a device that sets none, by the network that it stands on behind a router, if any."""
    return IP_PER_S if network is None else BEHIND_ROUTER_PER_S


@dataclass(frozen=True, slots=True)
class Device:
    """Something with an address."""

    id: str
    protocol: str
    """``bacnet`` or ``modbus``."""
    host: str
    port: int
    unit: int
    """BACnet device instance, or Modbus unit id."""
    period_s: float
    timeout_s: float
    label: str
    framer: str = "tcp"
    """Modbus: ``tcp``, or ``rtu`` where a converter passes serial frames through unchanged."""
    network: int | None = None
    """BACnet: number of the network behind the router at ``address``; None where the device itself stands there."""
    mac: str = ""
    """BACnet: station on that network, as hex octets."""
    requests_per_s: float = 0.0
    """Budget: most requests a second to this device; 0 for no limit of its own. What shares a gateway or a router
    has the largest of its budgets together."""
    adapter: str = ""
    """BACnet: name of the adapter behind which it stands; empty for ``Plant.bacnet``."""

    @property
    def address(self) -> str:
        """Return ``host:port``; Modbus devices that share it share one gateway."""
        return f"{self.host}:{self.port}"

    @property
    def station(self) -> str:
        """Return where it stands, with the network behind a router: ``100:2@192.168.1.5:47808``."""
        return self.address if self.network is None else f"{self.network}:{int(self.mac, 16)}@{self.address}"


@dataclass(frozen=True, slots=True)
class Adapter:
    """Where BACnet/IP goes out of this computer: address with mask, UDP port."""

    address: str
    """``192.168.10.5/24``; empty if the plant has no BACnet device."""
    port: int
    bbmd: str = ""
    """``host:port`` of the broadcast relay (BBMD) where this computer registers as a foreign device; else empty."""
    ttl_s: int = 300
    """Seconds that a registration lasts; it is renewed before."""
    requests_per_s: float = 200.0
    """Budget: most requests a second that leave through this adapter."""
    name: str = ""
    """As devices name it; empty for the one of devices that name none."""

    @property
    def host(self) -> str:
        """Return the address without its mask."""
        return self.address.partition("/")[0]


@dataclass(frozen=True, slots=True)
class Actuator:
    """One actuator on several valves, whose openings add up to ``sum_pct``."""

    id: str
    valves: tuple[str, ...]
    sum_pct: float


@dataclass(frozen=True, slots=True)
class Plant:
    """Everything that the plant description says, cross-checked."""

    id: str
    """The folder's name."""
    name: str
    zone: str
    """IANA time zone of the site."""
    altitude_m: float
    units: str
    """Unit system that a viewer sees first: ``si`` or ``ip``."""
    simulated: bool
    loops: Mapping[str, Loop]
    equipment: Mapping[str, Equipment]
    devices: Mapping[str, Device]
    points: Mapping[str, Point]
    actuators: Mapping[str, Actuator]
    bacnet: Adapter
    """The adapter of BACnet devices that name none."""
    alarms: tuple[Mapping[str, Any], ...]
    """Alarm rows with ``line``; ``alarms`` compiles them."""
    simulation: Mapping[str, Any]
    """Weather and load of a simulated plant."""
    folder: str
    keeping: Keeping = field(default_factory=Keeping)
    """Where history is kept, and within which bounds."""
    writes: Writes = field(default_factory=Writes)
    """What may be written; nothing unless it was enabled."""
    adapters: Mapping[str, Adapter] = field(default_factory=dict)
    """Further BACnet networks by name, each through an adapter of its own."""
    colours: Mapping[str, tuple[str, str]] = field(default_factory=dict)
    """Water -> colour of its pipes on the light and on the dark theme, where the site has its own."""
    rates: Rates | None = None
    """What electricity costs and emits; None where nothing is said."""
    sign_in_notice: str = ""
    """What whoever signs in is told first, in the site's words; empty for nothing."""

    def adapter_of(self, device: Device) -> Adapter:
        """Return the adapter behind which a BACnet device stands."""
        return self.adapters.get(device.adapter, self.bacnet)

    def adapters_used(self) -> tuple[Adapter, ...]:
        """Return the adapters behind which any BACnet device stands, each once, in the order of the devices."""
        used = {one.adapter: self.adapter_of(one) for one in self.devices.values() if one.protocol == "bacnet"}
        return tuple(used.values())

    def of_kind(self, kind: str) -> tuple[Equipment, ...]:
        """Return the equipment of one kind in the order of the description."""
        return tuple(item for item in self.equipment.values() if item.kind == kind)

    def parts_of(self, equipment: str, kind: str) -> tuple[Equipment, ...]:
        """Return the parts (fans of a cell, meters of a pump) of one kind."""
        return tuple(item for item in self.of_kind(kind) if item.part_of == equipment)

    def point(self, equipment: str, measurement: str) -> Point | None:
        """Return the point on a measurement, or None where nobody measures it."""
        return self.points.get(f"{equipment}.{measurement}")

    def loop_of(self, water: str) -> Loop | None:
        """Return the first loop of ``chilled``, ``condenser`` or ``hot`` water."""
        return next((loop for loop in self.loops.values() if loop.water == water), None)

    def stage_with(self, port: Port) -> tuple[Loop, Stage] | None:
        """Return where a port stands."""
        for loop in self.loops.values():
            for stage in loop.stages:
                if port in set(stage.ports()):
                    return loop, stage
        return None
