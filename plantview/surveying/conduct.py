"""Carries a survey out, in an order that asks a network as little as possible."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

from plantview.clock import SystemClock
from plantview.drivers.bacnet_browse import browsing
from plantview.drivers.modbus_browse import modbus_browsing
from plantview.errors import DriverError
from plantview.model.plant import Adapter
from plantview.surveying.bacnet_sweep import EVERYBODY, Keep, Progress, Range, find_at, find_by_broadcast, read_devices
from plantview.surveying.modbus_sweep import BITS, REGISTERS, find_units, read_tables
from plantview.surveying.results import Survey

BACNET_PORT: Final = 47_808


@dataclass(frozen=True, slots=True)
class Order:
    """What is to be looked for."""

    hosts: tuple[str, ...] = ()
    """BACnet addresses asked one by one; ``=instance`` behind one that does not tell its own."""
    ranges: tuple[Range, ...] = ()
    """Ranges of device instances asked by broadcast."""
    rounds: int = 3
    wait_s: float = 3.0
    modbus: tuple[tuple[str, int], ...] = ()
    units: tuple[int, ...] = ()
    registers: tuple[int, int] | None = None
    bits: tuple[int, int] | None = None

    @property
    def bacnet(self) -> bool:
        """Return whether BACnet is asked at all; a survey of Modbus alone sends no broadcast."""
        return bool(self.hosts or self.ranges or not self.modbus)

    @property
    def broadcasts(self) -> tuple[Range, ...]:
        """Return the ranges asked by broadcast: everybody, where neither addresses nor ranges are given."""
        return self.ranges or (() if self.hosts or self.modbus else (EVERYBODY,))


async def survey_bacnet(
    order: Order, adapter: Adapter, survey: Survey, keep: Keep, progress: Progress, within_s: float = 2.0
) -> dict[str, str]:
    """Find BACnet devices and read them; return the given addresses that did not answer. StartRefused: port taken."""
    for device in survey.devices.values():
        device.rounds_heard = 0  # an earlier survey's rounds are not this one's
    async with browsing(adapter, within_s=within_s) as browser:
        silent: dict[str, str] = {}
        if order.hosts:
            silent = await find_at(browser, survey, order.hosts, min(order.wait_s, within_s), progress)
            keep()
        if order.broadcasts:
            await find_by_broadcast(browser, survey, order.broadcasts, order.rounds, order.wait_s, keep, progress)
        await read_devices(browser, survey, keep, progress, SystemClock())
    return silent


async def survey_modbus(
    order: Order, survey: Survey, keep: Keep, progress: Progress, within_s: float = 1.5
) -> dict[str, str]:
    """Find units and read registers behind every given address; return the addresses without a connection."""
    silent: dict[str, str] = {}
    for host, port in order.modbus:
        address = f"{host}:{port}"
        try:
            async with modbus_browsing(host, port, within_s=within_s) as browser:
                await find_units(browser, survey, address, order.units, keep, progress)
                for tables, numbers in ((REGISTERS, order.registers), (BITS, order.bits)):
                    if numbers is not None:
                        await read_tables(browser, survey, address, tables, numbers, keep, progress)
        except DriverError as error:
            silent[address] = error.detail
    return silent
