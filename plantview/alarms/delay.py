"""On-delay and off-delay: from the bare condition to one that has lasted."""

from __future__ import annotations

from dataclasses import dataclass
from enum import Enum


class Edge(Enum):
    """What a step of the delay brought."""

    NONE = 0
    RAISE = 1
    CLEAR = 2


@dataclass(slots=True)
class Delay:
    """A condition becomes active after ``on_s`` of true, and inactive after ``off_s`` of false.

    An unknown condition (None) holds what is and restarts the time that was running.
    """

    on_s: float
    off_s: float
    active: bool = False
    _since_s: float | None = None
    """Since when the condition has contradicted ``active``."""
    onset_s: float = 0.0
    """When the condition began that last changed ``active``: before the delay."""

    @property
    def running(self) -> bool:
        """Return whether a delay is running."""
        return self._since_s is not None

    def step(self, condition: bool | None, now_s: float) -> Edge:
        """Take the condition at ``now_s`` (monotonic seconds)."""
        if condition is None or condition == self.active:
            self._since_s = None
            return Edge.NONE
        if self._since_s is None:
            self._since_s = now_s
        if now_s - self._since_s < (self.on_s if condition else self.off_s):
            return Edge.NONE
        self.active = condition
        self.onset_s = self._since_s
        self._since_s = None
        return Edge.RAISE if condition else Edge.CLEAR

    def restart(self) -> None:
        """Hold what is; a running time begins again at the next step."""
        self._since_s = None

    def forget(self) -> None:
        """Begin afresh: inactive, no time running."""
        self.active = False
        self._since_s = None
