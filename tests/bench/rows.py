"""One row per figure: name, measured, compared with, goal, and ``ok`` or ``short`` as its last word."""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class Figure:
    """A measured figure and what it is held against."""

    name: str
    measured: str
    compared_with: str
    goal: str
    met: bool

    def __str__(self) -> str:
        """Return the row."""
        return f"{self.name:<50} {self.measured:>22}  {self.compared_with:<46} {self.goal:<22} {'ok' if self.met else 'short'}"


def heading() -> str:
    """Return the words above the rows."""
    return f"{'figure':<50} {'measured':>22}  {'compared with':<46} {'goal':<22}"


@dataclass(frozen=True)
class Row:
    """A figure with its ratio to what it is compared with; the goal is a limit of the ratio, else of what was measured."""

    name: str
    measured: str
    compared: str
    ratio: float | None
    goal: str
    ok: bool

    def __str__(self) -> str:
        """Return the row."""
        ratio = "" if self.ratio is None else f"{self.ratio:.4g}"
        return f"{self.name:<67} {self.measured:>16} {self.compared:>26} {ratio:>9} {self.goal:>20}  {'ok' if self.ok else 'short'}"


def ratio_heading() -> str:
    """Return the words above rows with a ratio."""
    return f"{'figure':<67} {'measured':>16} {'compared with':>26} {'ratio':>9} {'goal':>20}"
