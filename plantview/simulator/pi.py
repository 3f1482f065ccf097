"""A proportional-integral loop in velocity form: cannot wind up."""

from __future__ import annotations


class PiLoop:
    """Output moves by gain * (change of error + error * dt / reset time), inside its limits."""

    __slots__ = ("_gain", "_last_error", "_limits", "_reset_s", "output")

    def __init__(self, gain: float, reset_s: float, limits: tuple[float, float], output: float) -> None:
        self._gain = gain
        self._reset_s = reset_s
        self._limits = limits
        self._last_error: float | None = None
        self.output = output

    def step(self, error: float, dt_s: float) -> float:
        """Return the output after one step with this error."""
        change = 0.0 if self._last_error is None else error - self._last_error
        self._last_error = error
        moved = self.output + self._gain * (change + error * dt_s / self._reset_s)
        self.output = min(max(moved, self._limits[0]), self._limits[1])
        return self.output

    def rest(self, output: float) -> None:
        """Hold an output while the loop is not in use."""
        self.output = output
        self._last_error = None
