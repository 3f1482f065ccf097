"""How large the texts of a drawing stand on a screen, and how large they must stand to be read from a distance."""

from __future__ import annotations

import math
from typing import Final

from plantview.web.schematic.labels import CAP_HEIGHT
from plantview.web.schematic.sizes import SMALL

WALL_WIDTH: Final = 1920.0
FIELD: Final = (WALL_WIDTH, 830.0)
"""What a wall screen leaves for the drawing, in pixels of a screen 1920 wide."""
LAPTOP: Final = (1366.0, 1100.0)
"""Width of a laptop's window, and how tall a drawing there may be before it is read only in parts."""
INCHES: Final = 55
"""Diagonal of a usual wall screen."""
ARC_MIN: Final = 6.0
"""Letter height of the least text, minutes of arc: a little above what normal sight resolves (5, from memory).

The numbers at the head of the page are three times as high and more: NUREG-0700 asks for 16 to 22.
"""
_WIDE: Final = 16 / math.hypot(16, 9)


def smallest_px(width: float, height: float, least: float = SMALL, field: tuple[float, float] = FIELD) -> float:
    """Return how high a drawing's smallest text stands on a screen, pixels of font size."""
    return least * min(field[0] / width, field[1] / height)


def least_px(distance_m: float, inches: float = INCHES) -> float:
    """Return the font size, in pixels of a screen 1920 wide, that is read from a distance in metres."""
    letter_mm = 2_000.0 * distance_m * math.tan(math.radians(ARC_MIN / 60) / 2)
    pixel_mm = inches * 25.4 * _WIDE / WALL_WIDTH
    return letter_mm / pixel_mm / CAP_HEIGHT


def fits_a_laptop(width: float, height: float) -> bool:
    """Return whether a drawing as wide as a laptop's window is not much taller than the window."""
    return height * LAPTOP[0] / width <= LAPTOP[1]
