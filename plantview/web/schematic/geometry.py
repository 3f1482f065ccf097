"""Boxes and intervals on the drawing, in drawing units (x to the right, y downwards)."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass

Point = tuple[float, float]
Interval = tuple[float, float]


@dataclass(frozen=True, slots=True)
class Box:
    """A rectangle with its sides along the axes."""

    x: float
    y: float
    w: float
    h: float

    @property
    def right(self) -> float:
        """Return the x of its right side."""
        return self.x + self.w

    @property
    def bottom(self) -> float:
        """Return the y of its lower side."""
        return self.y + self.h

    @property
    def cx(self) -> float:
        """Return the x of its middle."""
        return self.x + self.w / 2

    @property
    def cy(self) -> float:
        """Return the y of its middle."""
        return self.y + self.h / 2

    def overlaps(self, other: Box, clear: float = 0.0) -> bool:
        """Return whether the two boxes come closer than ``clear`` in both directions."""
        return (
            self.x < other.right + clear
            and other.x < self.right + clear
            and self.y < other.bottom + clear
            and other.y < self.bottom + clear
        )

    def contains(self, point: Point, slack: float = 0.5) -> bool:
        """Return whether a point lies inside or on the edge."""
        x, y = point
        return self.x - slack <= x <= self.right + slack and self.y - slack <= y <= self.bottom + slack

    def grown(self, by: float) -> Box:
        """Return the box with ``by`` added on every side."""
        return Box(self.x - by, self.y - by, self.w + 2 * by, self.h + 2 * by)

    def moved(self, dx: float, dy: float) -> Box:
        """Return the box at another place."""
        return Box(self.x + dx, self.y + dy, self.w, self.h)


def around(points: Iterable[Point], margin: float) -> Box:
    """Return the smallest box that holds all points with a margin."""
    xs, ys = zip(*points, strict=True)
    return Box(
        min(xs) - margin,
        min(ys) - margin,
        max(xs) - min(xs) + 2 * margin,
        max(ys) - min(ys) + 2 * margin,
    )


def free(whole: Interval, taken: Iterable[Interval]) -> list[Interval]:
    """Return what is left of an interval when the taken ones are cut out, in order."""
    left: list[Interval] = []
    at, end = whole
    for low, high in sorted(taken):
        if low > at:
            left.append((at, min(low, end)))
        at = max(at, high)
    if at < end:
        left.append((at, end))
    return [(low, high) for low, high in left if high > low]


def spread(count: int, length: float) -> list[float]:
    """Return the centres of ``count`` lanes of one width that fill ``length``."""
    return [(index + 0.5) * length / count for index in range(count)]


def push_apart(wanted: list[Interval], gap: float, low: float) -> list[float]:
    """Return the left ends for intervals (left, width) moved right until none overlaps.

    The order of the wanted left ends is kept; nothing starts before ``low``.
    """
    placed: dict[int, float] = {}
    at = low
    for index in sorted(range(len(wanted)), key=lambda i: wanted[i]):
        left, width = wanted[index]
        placed[index] = max(left, at)
        at = placed[index] + width + gap
    return [placed[index] for index in range(len(wanted))]
