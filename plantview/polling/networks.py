"""Paths that several devices share, as the health page shows them."""

from __future__ import annotations

from typing import Any

from plantview.polling.budget import BUSY_MAX
from plantview.polling.line import Line

FRAMES = {"tcp": "Modbus TCP", "rtu": "serial frames over TCP"}


def line_row(line: Line) -> dict[str, Any] | None:
    """Return the record of a gateway or of a network behind a router; None for a device that shares with nobody."""
    if not line.stations:
        return None
    device = line.stations[0].device
    if device.protocol == "bacnet" and device.network is None:
        return None
    behind = f"BACnet network {device.network} behind" if device.protocol == "bacnet" else FRAMES[device.framer]
    busy = line.busy()
    return {
        "name": f"{behind} {device.address}", "devices": len(line.stations),
        "busy_pct": round(100.0 * busy, 1), "busy_max_pct": round(100.0 * BUSY_MAX), "over_budget": busy > BUSY_MAX,
    }  # fmt: skip
