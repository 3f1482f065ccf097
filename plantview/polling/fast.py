"""The fast group: some points polled at a second or less for a while, as far as budgets and the path's time allow.

The usual polling goes on beside it through the same readers and allowances. What would go beyond a budget is refused
whole per device, with the sum in the sentence; nothing is written, and no point is asked that is not polled anyway.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Final

from plantview.model.plant import usual_per_s
from plantview.polling.budget import BUSY_MAX
from plantview.polling.line import Line
from plantview.polling.station import Station

PERIODS_S: Final[Mapping[str, tuple[float, ...]]] = {"bacnet": (1.0,), "modbus": (0.5, 1.0)}
"""Periods that are tried, the shortest first."""


@dataclass(frozen=True, slots=True)
class Quickened:
    """What came of it."""

    period_s: Mapping[str, float]
    """Point name -> the period at which it is polled now."""
    refused: Mapping[str, str]
    """Device id -> why its points are not."""


def quicken(lines: Sequence[Line], names: Sequence[str], speed: float) -> Quickened:
    """Set the fast group of every station; what was in it before is dropped first."""
    for line in lines:
        for station in line.stations:
            station.quicken(())
            line.quicken(station, 0.0)
    chosen, periods, refused = frozenset(names), dict[str, float](), dict[str, str]()
    for line in lines:
        added_per_s = 0.0
        for station in line.stations:
            points = tuple(point for point in station.points if point.name in chosen)
            if not points:
                continue
            requests = station.quicken(points)
            period_s, why = _period_s(line, station, requests, added_per_s, speed)
            if why:
                station.quicken(())
                refused[station.device.id] = why
                continue
            added_per_s += requests * speed / period_s
            line.quicken(station, period_s)
            periods |= {point.name: period_s for point in points}
    return Quickened(periods, refused)


def _period_s(line: Line, station: Station, requests: int, added_per_s: float, speed: float) -> tuple[float, str]:
    """Return the shortest period that fits [plant s], or why none does."""
    if not requests:
        return 0.0, f"{station.device.id} cannot be polled faster"
    if station.silent:
        return 0.0, f"{station.device.id} does not answer at present"
    usual_per_s = sum(_usual_per_s(one, speed) for one in line.stations)
    limit, why = _limit_per_s(station), ""
    for period_s in PERIODS_S[station.device.protocol]:
        total = usual_per_s + added_per_s + requests * speed / period_s
        busy = line.busy() * total / max(usual_per_s, 1e-9)
        if total > limit:
            why = (
                f"{station.device.id} would be asked {total:.1f} times a second with its usual polling, and {limit:g} is "
                "its budget; choose fewer points, or points that lie together"
            )
        elif busy > BUSY_MAX:
            why = (
                f"the path to {station.device.id} would be busy {busy:.0%} of its time, and {BUSY_MAX:.0%} is the most; "
                "choose fewer points"
            )
        else:
            return period_s, ""
    return 0.0, why


def _usual_per_s(station: Station, speed: float) -> float:
    return speed * sum(float(row["requests_per_cycle"]) / float(row["period_s"]) for row in station.plan()["plans"])


def _limit_per_s(station: Station) -> float:
    return station.device.requests_per_s or usual_per_s(station.device.network)
