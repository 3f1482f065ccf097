"""Writes a scene as SVG: classes and presentation attributes only, so that a strict CSP lets it live."""

from __future__ import annotations

import json

from plantview.web.schematic.geometry import Interval, free
from plantview.web.schematic.key import key
from plantview.web.schematic.scene import PIPE, WALL, Pipe, Scene
from plantview.web.schematic.svg import element, group, number, path, title

_CUT = 16.0
"""Clear space left of and right of a main that a pipe passes behind."""
_ARROW_ROOM = 38.0
_WATERS = {"CW": "condenser", "CH": "chilled", "HW": "hot"}
"""Beginning of a service's letters -> class of its pipes."""

_DEFS = element(
    "defs",
    (
        element(
            "pattern",
            element("path", d="M-2 2L2 -2M0 10L10 0M8 12L12 8", class_="hatching"),
            id="hatch",
            width=10,
            height=10,
            patternUnits="userSpaceOnUse",
        )
        + element(
            "pattern",
            element("path", d="M-2 2L2 -2M0 10L10 0M8 12L12 8", class_="hatching soft"),
            id="hatch-soft",
            width=10,
            height=10,
            patternUnits="userSpaceOnUse",
        )
        + element(
            "linearGradient",
            element("stop", offset="50%", class_="stop-none") + element("stop", offset="50%", class_="stop-mass"),
            id="half",
            x1=0,
            y1=0,
            x2=0,
            y2=1,
        )
    ),
)


def render(scene: Scene, name: str, shape: str = "wall", colours: str = "") -> str:
    """Return the SVG text of a scene; ``name`` is what a screen reader calls it, ``colours`` the plant's own."""
    outer = [_outer(pipe, scene) for pipe in _in_order(scene)]
    inner = [_inner(pipe, scene) for pipe in _in_order(scene) if is_hollow(pipe)]
    arrows = [_arrow(pipe, scene) for pipe in scene.pipes]
    body = title(f"{name}: flow diagram of the plant") + _DEFS
    body += group("".join(scene.frames), class_="frames")
    body += (
        group("".join(outer), class_="pipes")
        + group("".join(inner), class_="bores")
        + group("".join(arrows), class_="arrows")
    )
    body += group("".join(glyph.markup for glyph in scene.glyphs), class_="machines")
    body += group("".join(scene.marks), class_="marks") + (key(scene) if shape.startswith("wall") else "")
    return element(
        "svg",
        body,
        xmlns="http://www.w3.org/2000/svg",
        class_=f"drawing {shape}",
        role="group",
        viewBox=f"0 0 {number(scene.width)} {number(scene.height)}",
        aria_label=f"{name}: flow diagram",
        preserveAspectRatio="xMidYMid meet",
        data_colours=colours,
    )


def is_hollow(pipe: Pipe) -> bool:
    """Return whether a pipe carries the warm side: cold is filled, warm is hollow."""
    return pipe.service.endswith("R") != pipe.service.startswith("HW")


def _in_order(scene: Scene) -> list[Pipe]:
    """Return stubs first, so that a main covers the stub ends that meet it."""
    rank = {"stub": 0, "series": 1, "link": 2, "run": 3, "main": 4}
    return sorted(scene.pipes, key=lambda pipe: rank[pipe.kind])


def cuts(pipe: Pipe, scene: Scene) -> list[Interval]:
    """Return where a pipe along the stages passes behind a main that it does not tap."""
    if pipe.upright != scene.turned:
        return []
    low, high = pipe.span
    return [
        (main.across - _CUT, main.across + _CUT)
        for main in scene.pipes
        if main.upright != scene.turned
        and low + 1 < main.across < high - 1
        and main.span[0] - 1 <= pipe.across <= main.span[1] + 1
    ]


def _pieces(pipe: Pipe, scene: Scene, reach: float) -> str:
    """Return the path of a pipe, without its cuts and longer by ``reach`` where it turns."""
    low, high = pipe.span
    first_low = pipe.ends[0] <= pipe.ends[1]
    corner_low, corner_high = pipe.corners if first_low else pipe.corners[::-1]
    stretch = (low - reach * corner_low, high + reach * corner_high)
    pieces = free(stretch, cuts(pipe, scene))
    if pipe.upright:
        return "".join(path([(pipe.across, a), (pipe.across, b)]) for a, b in pieces)
    return "".join(path([(a, pipe.across), (b, pipe.across)]) for a, b in pieces)


def _outer(pipe: Pipe, scene: Scene) -> str:
    line = element("path", class_="wall", d=_pieces(pipe, scene, PIPE / 2), stroke_width=PIPE)
    return group(
        title(pipe.label) + line, class_=_classes(pipe), data_flow=json.dumps(pipe.flow, separators=(",", ":"))
    )


def _inner(pipe: Pipe, scene: Scene) -> str:
    return element("path", class_="bore", d=_pieces(pipe, scene, PIPE / 2 - WALL), stroke_width=PIPE - 2 * WALL)


def _classes(pipe: Pipe) -> str:
    return f"pipe {pipe.kind} {_WATERS[pipe.service[:2]]} unknown"


def _arrow(pipe: Pipe, scene: Scene) -> str:
    """Return the arrow of a pipe at the middle of its longest free piece, or nothing if none is long enough."""
    place = arrow_place(pipe, scene)
    if place is None:
        return ""
    (x1, y1), (x2, y2) = pipe.ends
    turn = {(True, False): 0, (False, False): 180, (True, True): 90, (False, True): 270}[
        (x2 + y2 > x1 + y1, pipe.upright)
    ]
    x, y = (pipe.across, place) if pipe.upright else (place, pipe.across)
    head = element("path", class_="arrow", d="M-13 -13L15 0L-13 13Z")
    return group(
        group(head, transform=f"translate({number(x)} {number(y)}) rotate({turn})"),
        class_=_classes(pipe),
        data_flow=json.dumps(pipe.flow, separators=(",", ":")),
    )


def arrow_place(pipe: Pipe, scene: Scene) -> float | None:
    """Return where along a pipe its arrow stands clear of machines, nodes and crossings."""
    taken = cuts(pipe, scene)
    axis = 1 if pipe.upright else 0
    strip = pipe.box
    for glyph in scene.glyphs:
        if glyph.box.overlaps(strip):
            near = glyph.box.grown(4)
            taken.append((near.y, near.bottom) if axis else (near.x, near.right))
    low, high = pipe.span
    for other in scene.pipes:
        if (
            other.upright != pipe.upright
            and other is not pipe
            and low < other.across < high
            and (other.span[0] - PIPE <= pipe.across <= other.span[1] + PIPE)
        ):
            taken.append((other.across - 12, other.across + 12))
    pieces = free((low + 9, high - 9), taken)
    longest = max(pieces, key=lambda piece: piece[1] - piece[0], default=(0.0, 0.0))
    return sum(longest) / 2 if longest[1] - longest[0] >= _ARROW_ROOM else None
