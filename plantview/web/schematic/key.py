"""The foot of the drawing: how to read the pipes, and what of the plant is not drawn."""

from __future__ import annotations

from typing import Final
from xml.sax.saxutils import escape

from plantview.web.schematic import sizes
from plantview.web.schematic.labels import width
from plantview.web.schematic.scene import Scene
from plantview.web.schematic.svg import element, group, number

_LEFT_OUT_MAX: Final = 6
_LINE: Final = 32.0
_ENTRIES: Final = (
    ("measured", "flow measured"),
    ("inferred", "flow inferred"),
    ("", "no arrow: no flow, or its direction is not known"),
    ("", "filled pipe: cold side"),
    ("", "hollow pipe: warm side"),
    ("", "broken line: not known"),
)
"""(arrow, words)."""


def _lines(room: float, more: tuple[str, ...]) -> list[list[tuple[float, str, str]]]:
    """Return the entries with their places, in lines no longer than ``room``."""
    lines: list[list[tuple[float, str, str]]] = [[]]
    x = sizes.MARGIN
    for arrow, words in (*_ENTRIES, *(("", words) for words in more)):
        need = 34.0 * bool(arrow) + width(words, sizes.SMALL)
        if x + need > room and lines[-1]:
            lines.append([])
            x = sizes.MARGIN
        lines[-1].append((x, arrow, words))
        x += need + 34
    return lines


def key_height(room: float, left_out: bool, more: tuple[str, ...] = ()) -> float:
    """Return what the foot takes below the drawing."""
    return 30.0 + _LINE * (len(_lines(room, more)) + left_out)


def key(scene: Scene) -> str:
    """Return the markup of the foot."""
    lines = _lines(scene.width, scene.told)
    out = ""
    for row, line in enumerate(lines):
        y = scene.height - 14 - _LINE * (len(lines) - 1 - row)
        out += "".join(_entry(x, y, arrow, words) for x, arrow, words in line)
    return group(out + _left_out(scene, scene.height - 14 - _LINE * len(lines)), class_="key")


def _entry(x: float, y: float, arrow: str, words: str) -> str:
    shape = element(
        "path",
        class_=f"key-arrow {arrow}",
        d="M-11 -11L13 0L-11 11Z",
        transform=f"translate({number(x + 12)} {number(y - 8)})",
    )
    text = element("text", words, class_="label", x=x + 34 * bool(arrow), y=y, font_size=sizes.SMALL)
    return shape + text if arrow else text


def _left_out(scene: Scene, y: float) -> str:
    if not scene.left_out:
        return ""
    more = len(scene.left_out) - _LEFT_OUT_MAX
    text = "Not drawn: " + ", ".join(scene.left_out[:_LEFT_OUT_MAX]) + (f" and {more} more" if more > 0 else "")
    return element("text", escape(text), class_="left-out", x=sizes.MARGIN, y=y, font_size=sizes.SMALL)
