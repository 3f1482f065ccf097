"""The BACnet devices of one adapter: who shares a path, and what is heard from them unasked."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Mapping, Sequence
from typing import Any

from plantview.clock import Clock
from plantview.drivers.bacnet_network import BacnetNetwork
from plantview.drivers.bacnet_slow import change_of
from plantview.drivers.bacnet_tags import Malformed
from plantview.model.plant import Adapter, Device
from plantview.model.point import Point
from plantview.polling.bacnet_station import BacnetStation
from plantview.polling.budget import Allowance, shared, together
from plantview.polling.outlets import Outlets
from plantview.polling.roll_call import RollCall
from plantview.polling.station import Sink, Station


class BacnetPath:
    """One adapter with its stations, its budget, and its ear for notifications."""

    def __init__(
        self, adapter: Adapter, network: BacnetNetwork, devices: Sequence[Device], points: Mapping[str, list[Point]],
        clock: Clock, sink: Sink, outlets: Outlets,
    ) -> None:  # fmt: skip
        self._adapter, self._network = adapter, network
        self._allowance = Allowance(adapter.requests_per_s)
        sharing: dict[object, list[Device]] = defaultdict(list)
        for one in devices:
            sharing[_path(one)].append(one)
        path = {name: shared(some, clock.speed) for name, some in sharing.items()}
        self._stations = [
            BacnetStation(
                one, points[one.id], network, clock, sink, outlets,
                together(shared([one], clock.speed), path[_path(one)], self._allowance), process,
            )
            for process, one in enumerate(devices, start=1)
        ]  # fmt: skip
        self._by_process = dict(enumerate(self._stations, start=1))
        network.heard_change = self._heard_change
        self.roll_call = RollCall(network, self._stations)
        self.strange = 0
        """Notifications that fit no subscription of ours."""

    def paths(self) -> list[list[Station]]:
        """Return the stations that take turns: those behind one router share a slow line, the others have their own."""
        sharing: dict[object, list[Station]] = defaultdict(list)
        for station in self._stations:
            sharing[_path(station.device)].append(station)
        return list(sharing.values())

    def as_dict(self) -> dict[str, Any]:
        """Return what the health page shows of the adapter."""
        called = f"{self._adapter.name}, " if self._adapter.name else ""
        return {
            "name": f"BACnet adapter {called}{self._adapter.address} port {self._network.port}", "devices": len(self._stations),
            "requests_per_s": round(self._allowance.used_per_s(), 2),
            "requests_per_s_max": self._adapter.requests_per_s,
            "bbmd": self._adapter.bbmd, "registration": self._network.registration,
            "duplicates": self.roll_call.duplicates(), "strange_notifications": self.strange,
        }  # fmt: skip

    def _heard_change(self, source: str, notification: Any) -> None:  # noqa: ANN401 - bacpypes3 has no types
        try:
            process, key, values = change_of(notification)
        except Malformed:
            self.strange += 1
            return
        station = self._by_process.get(process)
        if station is None or station.heard_as != source:
            self.strange += 1
            return
        station.changed(key, values)


def _path(device: Device) -> object:
    return device.id if device.network is None else (device.address, device.network)
