"""Faults of devices, as opposed to those of the plant: when they begin and end, and what they do to a device."""

from __future__ import annotations

import logging
from collections.abc import Awaitable, Callable, Collection, Iterable
from dataclasses import dataclass
from typing import Final

from plantview.errors import StartRefused
from plantview.model.plant import Device, Plant
from plantview.simulator.devices.profiles import OCTETS
from plantview.simulator.devices.rig import Rig
from plantview.simulator.faults import FAULTS, Fault, UnknownFault

log = logging.getLogger(__name__)

INSTANCE_MAX: Final = 4_194_302
"""Highest BACnet device instance; the one above stands for any."""
UNIT_MAX: Final = 247
LATENCY_REAL_S_MAX: Final = 60.0

Act = Callable[[Rig, str, float | None], Awaitable[None]]
"""Takes the fault's amount while it lasts, None when it ends."""
Allowed = Callable[[Device, float], bool]


@dataclass(frozen=True, slots=True)
class DeviceFault:
    """What a kind of fault does, and which devices and amounts it takes."""

    act: Act
    allowed: Allowed
    refusal: str
    """What to write instead, where it is not allowed."""


def is_device_fault(fault: Fault) -> bool:
    """Return whether a fault befalls a device and not the plant."""
    return fault.kind in DEVICE_FAULTS


def check_device_fault(fault: Fault, plant: Plant) -> None:
    """Refuse a fault that its device cannot have (UnknownFault)."""
    kind, device = DEVICE_FAULTS[fault.kind], plant.devices[fault.target]
    if not kind.allowed(device, fault.amount):
        raise UnknownFault(f"{fault.kind}: {fault.target} {kind.refusal}; write it like {FAULTS[fault.kind].example}")
    if fault.kind == "duplicate-instance" and fault.amount not in _others(plant, device):
        raise UnknownFault(f"{fault.kind}: no other BACnet device has the instance {fault.amount:g}; use one of: "
                           + ", ".join(map(str, _others(plant, device))))  # fmt: skip


class DeviceFaults:
    """Brings the faults of devices about and ends them."""

    def __init__(self, devices: Rig, faults: Iterable[Fault], live: Collection[Fault] = ()) -> None:
        self._devices = devices
        self._faults = tuple(faults)
        self._live = live
        """Further faults; whoever owns them may add and remove while the devices are served."""
        self._active: dict[tuple[str, str], float] = {}

    async def apply(self, now_ms: int) -> None:
        """Begin and end what is due at this plant time."""
        wanted = {
            (fault.kind, fault.target): fault.amount for fault in (*self._faults, *self._live) if fault.active(now_ms)
        }
        for key in [key for key in self._active if key not in wanted]:
            await self._act(key, None)
        for key, amount in wanted.items():
            if self._active.get(key) != amount:  # only changes: a test may silence a device by hand meanwhile
                await self._act(key, amount)

    async def _act(self, key: tuple[str, str], amount: float | None) -> None:
        kind, device = key
        try:
            await DEVICE_FAULTS[kind].act(self._devices, device, amount)
        except StartRefused as error:  # its address was taken while it was off: it stays off, the plant goes on
            log.warning("the simulated device stays off, tried again in a moment: %s", error)
            return
        if amount is None:
            del self._active[key]
        else:
            self._active[key] = amount


async def _silent(devices: Rig, device: str, amount: float | None) -> None:
    devices.silence(device, amount is not None)


async def _slow(devices: Rig, device: str, amount: float | None) -> None:
    devices.slow(device, amount or 0.0)


async def _off(devices: Rig, device: str, amount: float | None) -> None:
    await (devices.start(device) if amount is None else devices.stop(device))


async def _renumbered(devices: Rig, device: str, amount: float | None) -> None:
    await devices.renumber(device, None if amount is None else int(amount))


async def _dead(devices: Rig, device: str, amount: float | None) -> None:
    devices.unit(device).die(amount)


async def _clock(devices: Rig, device: str, amount: float | None) -> None:
    devices.controller(device).set_clock(amount or 0.0)


async def _small(devices: Rig, device: str, amount: float | None) -> None:
    await devices.controller(device).shrink(amount)


def _number(device: Device, amount: float) -> bool:
    return amount == int(amount) and (0 if device.protocol == "bacnet" else 1) <= amount <= _highest(device)


def _highest(device: Device) -> int:
    return INSTANCE_MAX if device.protocol == "bacnet" else UNIT_MAX


def _others(plant: Plant, device: Device) -> list[int]:
    return [other.unit for other in plant.devices.values() if other.protocol == "bacnet" and other is not device]


def _bacnet(device: Device, _amount: float) -> bool:
    return device.protocol == "bacnet"


def _any(_device: Device, _amount: float) -> bool:
    return True


DEVICE_FAULTS: Final[dict[str, DeviceFault]] = {
    "device-silent": DeviceFault(_silent, _any, ""),
    "device-slow": DeviceFault(_slow, lambda _, amount: 0 < amount <= LATENCY_REAL_S_MAX, f"can be at most {LATENCY_REAL_S_MAX:g} s slow"),
    "device-rebooting": DeviceFault(_off, _any, ""),
    "device-renumbered": DeviceFault(_renumbered, _number, "cannot have that number"),
    "duplicate-instance": DeviceFault(_renumbered, _bacnet, "is no BACnet device"),
    "unit-dead": DeviceFault(
        _dead, lambda device, amount: device.protocol == "modbus" and 0 <= amount <= LATENCY_REAL_S_MAX,
        f"is no unit of a Modbus gateway that waits at most {LATENCY_REAL_S_MAX:g} s for it",
    ),
    "clock-wrong": DeviceFault(_clock, lambda device, amount: device.protocol == "bacnet" and abs(amount) <= 10 * 366 * 86_400,
                               "is no BACnet device whose clock is less than ten years off"),
    "device-small": DeviceFault(_small, lambda device, amount: device.protocol == "bacnet" and amount in OCTETS,
                                f"is no BACnet device with an APDU of {', '.join(map(str, OCTETS))} octets"),
}  # fmt: skip
"""By the kinds of ``faults.FAULTS`` that befall devices."""
