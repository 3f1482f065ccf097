"""What drives the machines: the plant's own controller, unless an outsider has commanded the point."""

from __future__ import annotations


class Outputs:
    """Winning values by point name, in canonical units."""

    def __init__(self) -> None:
        self.values: dict[str, float] = {}
        """Last winning value of every point that the controller drives."""
        self._overrides: dict[str, float] = {}

    def override(self, point: str, value: float | None) -> None:
        """Take or give back a point."""
        if value is None:
            self._overrides.pop(point, None)
        else:
            self._overrides[point] = value

    def overridden(self, point: str) -> bool:
        """Return whether an outsider holds a point."""
        return point in self._overrides

    def drive(self, point: str, own: float) -> float:
        """Return the winner between the controller's own value and an outsider's."""
        value = self._overrides.get(point, own)
        self.values[point] = value
        return value
