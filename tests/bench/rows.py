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
