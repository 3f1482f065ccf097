"""What a drawing consists of, with the room that each thing takes: the tests look at this."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Final

from plantview.web.schematic.geometry import Box, Interval, Point

PIPE: Final = 14.0
"""Outer width of every pipe."""
WALL: Final = 4.0
"""Width of each wall of a hollow pipe."""

Flow = tuple[tuple[str, int], ...]
"""Signed branch flows whose sum is the net flow from a pipe's first end to its second."""


@dataclass(frozen=True, slots=True)
class Glyph:
    """One machine as drawn."""

    equipment: str
    kind: str
    box: Box
    markup: str


@dataclass(frozen=True, slots=True)
class Words:
    """The room that a text or a value may take, whatever it comes to say."""

    box: Box
    text: str
    on: str
    """The equipment on whose glyph it stands, else empty."""
    turn: str = ""
    """Texts of one turn are never shown together: a fan's speed while it runs, else its state."""


@dataclass(frozen=True, slots=True)
class Pipe:
    """One straight run in which the flow is the same everywhere."""

    kind: str
    """``stub`` (a branch), ``main`` (along the lanes), ``run`` (a main across a column) or ``link``."""
    header: str
    service: str
    """CHWS, CHWR, CWS…: how it is drawn and called."""
    ends: tuple[Point, Point]
    flow: Flow
    label: str
    corners: tuple[bool, bool] = (False, False)
    """Whether the pipe turns at its first and at its second end."""

    @property
    def upright(self) -> bool:
        """Return whether it runs along the lanes."""
        return self.ends[0][0] == self.ends[1][0] and self.ends[0][1] != self.ends[1][1]

    @property
    def span(self) -> Interval:
        """Return the interval it covers along its own direction, low end first."""
        axis = 1 if self.upright else 0
        low, high = sorted((self.ends[0][axis], self.ends[1][axis]))
        return low, high

    @property
    def across(self) -> float:
        """Return its place across its own direction."""
        return self.ends[0][0 if self.upright else 1]

    @property
    def box(self) -> Box:
        """Return the room it takes."""
        (x1, y1), (x2, y2) = self.ends
        half = PIPE / 2
        return Box(min(x1, x2) - half, min(y1, y2) - half, abs(x1 - x2) + PIPE, abs(y1 - y2) + PIPE)


@dataclass(frozen=True, slots=True)
class Break:
    """A place where a list may go on in the next column, and how much of everything stands before it."""

    y: float
    glyphs: int
    marks: int
    pipes: int
    words: int


@dataclass(slots=True)
class Scene:
    """A finished layout, ready to be written."""

    width: float
    height: float
    glyphs: list[Glyph] = field(default_factory=list)
    frames: list[str] = field(default_factory=list)
    """Markup under everything else: buildings."""
    words: list[Words] = field(default_factory=list)
    marks: list[str] = field(default_factory=list)
    """Markup of texts, values and leaders that stand beside machines."""
    pipes: list[Pipe] = field(default_factory=list)
    left_out: list[str] = field(default_factory=list)
    """What of the plant is not drawn, in the crew's words."""
    turned: bool = False
    """Whether the lanes run across the screen and the stages down it; else it is the other way round."""
    told: tuple[str, ...] = ()
    """What its foot explains besides the pipes."""
    breaks: list[Break] = field(default_factory=list)
    """Where a list may go on in the next column, downwards."""

    def mark(self, y: float, words: list[Words]) -> Break:
        """Return a break at this height, before what comes next."""
        return Break(y, len(self.glyphs), len(self.marks), len(self.pipes), len(words))
