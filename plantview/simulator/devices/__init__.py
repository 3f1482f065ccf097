"""The simulated plant as real devices on sockets: BACnet/IP controllers, Modbus TCP panels and meters."""

from __future__ import annotations

from plantview.simulator.devices.contract import Simulated, WriteRequest
from plantview.simulator.devices.rig import Rig, rig

__all__ = ["Rig", "Simulated", "WriteRequest", "rig"]
