"""Minimum on and off times: a changed output is held at priority 6 until its time has passed.

ANSI/ASHRAE 135, clause 19.2.3 (from memory): when the present value changes and the
minimum time of the new state is not zero, that state goes into slot 6 of the priority array; a
command at priorities 1 to 5 wins over it at once, everybody else waits.
"""

from __future__ import annotations

from typing import Final

SLOT: Final = 6


class MinimumTimes:
    """The remaining time of one output's present state."""

    __slots__ = ("off_s", "on_s", "until_s")

    def __init__(self, on_s: float, off_s: float) -> None:
        self.on_s = on_s
        self.off_s = off_s
        self.until_s: float | None = None
        """When slot 6 is released; None while nothing is held."""

    def changed(self, on: bool, now_s: float) -> bool:
        """Note a new present value; return whether slot 6 takes it on (else slot 6 is released)."""
        least_s = self.on_s if on else self.off_s
        self.until_s = now_s + least_s if least_s > 0 else None
        return self.until_s is not None

    def expired(self, now_s: float) -> bool:
        """Return, once, that the time has passed."""
        if self.until_s is None or now_s < self.until_s:
            return False
        self.until_s = None
        return True
