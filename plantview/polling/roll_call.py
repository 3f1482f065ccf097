"""Who else claims the instance of a device of ours: asked for one instance at a time, every ten minutes.

A second device with the same instance is quarantined: it is listed, and never asked for anything. What the
described one says is marked, since other programs on the network may be talking to either of the two.
"""

from __future__ import annotations

import asyncio
from collections.abc import Sequence
from typing import Any, Final

from plantview.drivers.bacnet_network import BacnetNetwork
from plantview.polling.bacnet_station import BacnetStation

ROUND_S: Final = 600.0
ANSWERS_WITHIN_S: Final = 3.0
"""As long as answers to one Who-Is are listened for."""
BRISK_S: Final = 0.05
CLAIMS_MAX: Final = 8
"""Addresses kept per instance."""


class RollCall:
    """Listens to I-Am, and asks for them."""

    def __init__(
        self, network: BacnetNetwork, stations: Sequence[BacnetStation], *, pause_s: float | None = None
    ) -> None:
        self._network = network
        self._stations = {station.device.unit: station for station in stations}
        self._pause_s = pause_s or max(ANSWERS_WITHIN_S, ROUND_S / max(1, len(stations)))
        self._claims: dict[int, set[str]] = {}
        """Instance -> where an I-Am with it came from in this round."""
        network.heard_i_am = self._heard

    async def run(self) -> None:
        """Ask for one instance after the other until cancelled; the first time briskly, so that a start names doubles."""
        for instance in self._stations:
            await self._ask(instance, min(BRISK_S, self._pause_s))
        await asyncio.sleep(min(ANSWERS_WITHIN_S, self._pause_s))
        while True:
            for instance in self._stations:
                await self._ask(instance, self._pause_s)
                self._judge(instance)

    async def _ask(self, instance: int, pause_s: float) -> None:
        self._claims[instance] = set()
        await self._network.who_is(instance)
        await asyncio.sleep(pause_s)

    def duplicates(self) -> list[dict[str, Any]]:
        """Return the instances that several devices claim, with the addresses that are left alone."""
        return [
            {"instance": instance, "device": station.device.id, "quarantined": station.claimed_by.split(", ")}
            for instance, station in self._stations.items()
            if station.claimed_by
        ]

    def _heard(self, source: str, announced: Any) -> None:  # noqa: ANN401 - bacpypes3 has no types
        instance = int(announced.iAmDeviceIdentifier[1])
        claims = self._claims.get(instance)
        if claims is not None and len(claims) < CLAIMS_MAX:
            claims.add(source)
            self._judge(instance)

    def _judge(self, instance: int) -> None:
        station, claims = self._stations[instance], self._claims[instance]
        others = sorted(claims - {station.heard_as})
        # one answer from elsewhere, and none from here, is a device that moved: the poll tells that by itself
        twice = others if len(claims) > 1 or (others and not station.silent) else []
        station.claimed_by = ", ".join(twice)
        station.health.notices.pop("instance", None)
        if twice:
            station.health.notices["instance"] = (
                f"BACnet device {instance} exists twice, also at {station.claimed_by} -> give one another instance"
            )
        elif others:
            station.health.notices["instance"] = (
                f"BACnet device {instance} answers at {others[0]} now -> correct its address"
            )
