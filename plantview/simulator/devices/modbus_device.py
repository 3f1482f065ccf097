"""One unit behind a gateway, seen as a device of its own."""

from __future__ import annotations

from collections.abc import Mapping

from plantview.simulator.devices.modbus_gateway import ModbusGateway, Unit


class ModbusDevice:
    """A panel or meter on the bus."""

    def __init__(self, gateway: ModbusGateway, unit: Unit) -> None:
        self._gateway = gateway
        self._unit = unit

    @property
    def running(self) -> bool:
        """Whether it has power."""
        return self._unit.present

    async def start(self) -> None:
        """Put it on the bus; StartRefused if the gateway's address cannot be had."""
        await self._gateway.start(self._unit)

    async def stop(self) -> None:
        """Take it off the bus."""
        await self._gateway.stop(self._unit)

    def refresh(self, reported: Mapping[str, float]) -> None:
        """Show what the plant reports."""
        self._unit.registers.refresh(reported)

    def silence(self, on: bool) -> None:
        """Let it hear and not answer, or answer again."""
        self._unit.silent = on

    def slow(self, latency_s: float) -> None:
        """Let it take so many real seconds for every answer."""
        self._unit.latency_s = latency_s

    def die(self, patience_s: float | None) -> None:
        """Let the gateway give it up after so many real seconds; None brings it back to life."""
        self._unit.dead_after_s = patience_s

    async def renumber(self, number: int | None) -> None:
        """Let it answer to another unit id, None to its own."""
        self._gateway.renumber(self._unit, number)
