"""A valve and its actuator."""

from __future__ import annotations

from plantview.simulator.constants import SHUT_PCT, VALVE_RANGE


class Valve:
    """Position follows the command at the stroke time; resistance follows the position."""

    __slots__ = (
        "command_pct",
        "equal_percentage",
        "leak_pct",
        "open_k",
        "position_pct",
        "stroke_s",
        "stuck_pct",
        "three_way",
    )

    def __init__(self, open_k: float, stroke_s: float, equal_percentage: bool) -> None:
        self.open_k = open_k
        self.stroke_s = stroke_s
        self.equal_percentage = equal_percentage
        self.position_pct = 0.0
        self.command_pct = 0.0
        self.leak_pct = 0.0
        """Opening that remains when it is shut: a worn seat."""
        self.stuck_pct: float | None = None
        """Where it stands whatever is commanded; None for one that moves."""
        self.three_way = False
        """It sends water past its coil instead of holding it back."""

    @property
    def shut(self) -> bool:
        """Return whether it passes nothing."""
        return not self.three_way and max(self.position_pct, self.leak_pct) < SHUT_PCT

    def move(self, dt_s: float) -> None:
        """Stroke towards the command; its end stops are at 0 and 100 %."""
        goal = min(max(self.command_pct if self.stuck_pct is None else self.stuck_pct, 0.0), 100.0)
        reach = 100 * dt_s / self.stroke_s
        self.position_pct += min(max(goal - self.position_pct, -reach), reach)

    def resistance(self) -> float:
        """Return dp / flow^2 at the present position [kPa/(kg/s)^2]."""
        return self.open_k if self.three_way else self.open_k / self._capacity() ** 2

    def share(self) -> float:
        """Return the share of the water that a three-way valve lets through its coil."""
        return self._capacity()

    def _capacity(self) -> float:
        opening = max(self.position_pct, self.leak_pct, SHUT_PCT) / 100
        # the exponential curve would never close: its last part is a line to zero
        return float(VALVE_RANGE ** (opening - 1) * min(1.0, opening * 20)) if self.equal_percentage else opening
