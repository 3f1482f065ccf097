"""Which points of a controller have a trend log of their own, and under which instance number."""

from __future__ import annotations

from collections.abc import Iterable
from typing import Final

from plantview.model.point import BacnetAddress, Point

LOGGED_QUANTITIES: Final = frozenset({"temperature", "power"})
LOGGED_MEASUREMENTS: Final = frozenset({"status"})
LOGGED_TYPES: Final = frozenset({
    "analog-input", "analog-value", "analog-output", "binary-input", "binary-output", "binary-value",
    "multi-state-input", "multi-state-output", "multi-state-value",
})  # fmt: skip
LOGS_MAX: Final = 60
"""Logs of one controller; its memory ends somewhere."""


def logs_of(points: Iterable[Point]) -> dict[int, Point]:
    """Return trend log instance -> point: those that the point list names, and what a technician asks for first.

    Temperatures, powers and run status without a number of their own get the free ones from 1 up.
    """
    logged = [
        point
        for point in points
        if isinstance(point.address, BacnetAddress) and point.address.object_type in LOGGED_TYPES
    ]
    named = {log: point for point in logged if (log := _named(point)) is not None}
    free = (instance for instance in range(1, 2 * LOGS_MAX + len(named) + 1) if instance not in named)
    others = [point for point in logged if _named(point) is None and _of_interest(point)]
    room = max(0, LOGS_MAX - len(named))
    return named | dict(zip(free, others[:room], strict=False))


def _named(point: Point) -> int | None:
    return point.address.trend_log if isinstance(point.address, BacnetAddress) else None


def _of_interest(point: Point) -> bool:
    return point.quantity in LOGGED_QUANTITIES or point.measurement in LOGGED_MEASUREMENTS
