"""``[services]``: the colours of the pipes, where a site has its own custom.

[services]
condenser = "#3f7a62"               # in the light theme; the one for the dark theme is worked out
chilled = ["#3a6f98", "#66a5d8"]    # light theme, dark theme

Green for condenser water and blue for chilled water are common practice, no source; every pipe is labelled in words,
whatever its colour. A colour must stand out from the ground (3:1, WCAG 2.2 success criterion 1.4.11), and none may
be taken for the colour of an alarm.
"""

from __future__ import annotations

import math
import re
from collections.abc import Mapping
from typing import Any, Final

from plantview.config.problems import Problems, near

WATERS: Final = ("condenser", "chilled", "hot")
GROUNDS: Final = {"light": "#d6d9da", "dark": "#24292c"}
"""What the drawing lies on, as in tokens.css."""
ALARMS: Final = {
    "light": {1: "#b80f1c", 2: "#ea7a0c", 3: "#eac60a"},
    "dark": {1: "#ff4d4d", 2: "#ff9a2e", 3: "#f4d03f"},
}
"""Colours of the three upper priorities, as in tokens.css."""
LEAST: Final = 3.0
NEAR_ALARM: Final = 70.0
"""Distance in red, green and blue (of 255 each) below which two colours are taken for each other."""
REST_SHARE: Final = 0.45
"""Share of the colour in a pipe without flow; the rest is ground."""
_HEX: Final = re.compile("#[0-9a-fA-F]{6}")
_EXAMPLE: Final = 'write "#3f7a62", or two colours for the light and the dark theme: ["#3a6f98", "#66a5d8"]'


def read_service_colours(raw: Mapping[str, Any], problems: Problems) -> dict[str, tuple[str, str]]:
    """Return the colours of light and dark theme by water; a water that is not named keeps the usual ones."""
    found: dict[str, tuple[str, str]] = {}
    table = raw.get("services", {})
    if not isinstance(table, Mapping):
        problems.add(("services",), "is not a table", "write [services] and its keys below")
        return {}
    for water, given in table.items():
        if water not in WATERS:
            problems.add(("services", water), f"unknown water '{water}'", near(water, WATERS))
            continue
        pair = _pair(given)
        if pair is None:
            problems.add(("services", water), f"{given!r} is no colour", _EXAMPLE)
        elif _is_sound(water, pair, problems):
            found[water] = pair
    return found


def _pair(given: object) -> tuple[str, str] | None:
    colours = [given] if isinstance(given, str) else given
    if not isinstance(colours, list) or len(colours) not in {1, 2}:
        return None
    if not all(isinstance(each, str) and _HEX.fullmatch(each) for each in colours):
        return None
    light = colours[0].lower()
    return light, colours[1].lower() if len(colours) == 2 else toward("#ffffff", light, GROUNDS["dark"], 4.5)


def _is_sound(water: str, pair: tuple[str, str], problems: Problems) -> bool:
    for theme, colour in zip(GROUNDS, pair, strict=True):
        ratio = contrast(colour, GROUNDS[theme])
        if ratio < LEAST:
            better = toward({"light": "#000000", "dark": "#ffffff"}[theme], colour, GROUNDS[theme], LEAST)
            problems.add(
                ("services", water),
                f"{colour} is too faint on the {theme} theme's ground: contrast {ratio:.1f}, at least {LEAST:g} is needed",
                f"take {better} there, the same colour made {'darker' if theme == 'light' else 'lighter'}",
            )
            return False
        for priority, alarm in ALARMS[theme].items():
            if _distance(colour, alarm) < NEAR_ALARM:
                problems.add(
                    ("services", water),
                    f"{colour} looks like the colour of alarms of priority {priority} on the {theme} theme ({alarm})",
                    "take a colour that is no red, orange or yellow: these mean that something is wrong",
                )
                return False
    return True


def toward(end: str, colour: str, ground: str, least: float) -> str:
    """Return the colour, moved toward black or white as little as gives the contrast."""
    for step in range(101):
        moved = mixed(end, colour, step / 100)
        if contrast(moved, ground) >= least:
            return moved
    return end


def mixed(one: str, two: str, share: float) -> str:
    """Return two colours mixed; ``share`` is that of the first."""
    parts = zip(_parts(one), _parts(two), strict=True)
    return "#" + "".join(f"{round(a * share + b * (1 - share)):02x}" for a, b in parts)


def contrast(one: str, two: str) -> float:
    """Return the contrast ratio of two colours, 1 to 21 (WCAG 2.2, relative luminance)."""
    low, high = sorted((_luminance(one), _luminance(two)))
    return (high + 0.05) / (low + 0.05)


def _luminance(colour: str) -> float:
    parts = [each / 255 for each in _parts(colour)]
    red, green, blue = (part / 12.92 if part <= 0.04045 else ((part + 0.055) / 1.055) ** 2.4 for part in parts)
    return 0.2126 * red + 0.7152 * green + 0.0722 * blue


def _distance(one: str, two: str) -> float:
    return math.dist(_parts(one), _parts(two))


def _parts(colour: str) -> tuple[int, int, int]:
    return int(colour[1:3], 16), int(colour[3:5], 16), int(colour[5:7], 16)
