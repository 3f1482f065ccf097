"""A device's own clock: how far it is off, and what its local times are in ours."""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, datetime
from zoneinfo import ZoneInfo

from plantview.model.device_event import DeviceEvent, Transition


def utc_ms(local_ms: int, zone: str, near_ms: int) -> int:
    """Return a local time [ms, as if it were UTC] in UTC; in the hour that comes twice, the one nearer to ``near_ms``."""
    naive = datetime.fromtimestamp(local_ms / 1_000, UTC).replace(tzinfo=ZoneInfo(zone))
    both = (round(naive.replace(fold=fold).timestamp() * 1_000) for fold in (0, 1))
    return min(both, key=lambda one: abs(one - near_ms))


def local_ms(at_ms: int, zone: str) -> int:
    """Return a UTC time as local time of the zone [ms, as if it were UTC]."""
    local = datetime.fromtimestamp(at_ms / 1_000, ZoneInfo(zone))
    return round(local.replace(tzinfo=UTC).timestamp() * 1_000)


def offset_ms(device_local_ms: int, zone: str, now_ms: int) -> int:
    """Return how much a device's clock is ahead of ours; negative if it is behind."""
    return utc_ms(device_local_ms, zone, now_ms) - now_ms


def dated(event: DeviceEvent, zone: str, clock_offset_ms: int | None, now_ms: int) -> DeviceEvent:
    """Return an event with its times in UTC; without a known offset they stay the device's own."""
    if clock_offset_ms is None:
        return event

    def moved(one: Transition) -> Transition:
        if one.local_ms is None:
            return one
        return replace(one, at_ms=utc_ms(one.local_ms, zone, now_ms + clock_offset_ms) - clock_offset_ms)

    return replace(event, transitions=tuple(map(moved, event.transitions)), clock_offset_ms=clock_offset_ms)
