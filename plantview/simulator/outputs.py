"""What drives the machines: the plant's own controller, unless an outsider has commanded the point."""

from __future__ import annotations


class Outputs:
    """Winning values by point name, in canonical units."""

    def __init__(self) -> None:
        self.values: dict[str, float] = {}
        """Last winning value of every point that the controller drives."""
        self._overrides: dict[str, float] = {}
        self._changed: dict[str, float] = {}
        """What somebody has typed into the controller in place of its own value."""

    def override(self, point: str, value: float | None) -> None:
        """Take or give back a point."""
        if value is None:
            self._overrides.pop(point, None)
        else:
            self._overrides[point] = value

    def change_own(self, point: str, value: float | None) -> None:
        """Put another value in place of the controller's own, or give it back; an override still wins."""
        if value is None:
            self._changed.pop(point, None)
        else:
            self._changed[point] = value

    def overridden(self, point: str) -> bool:
        """Return whether an outsider holds a point."""
        return point in self._overrides

    def drive(self, point: str, own: float) -> float:
        """Return the winner between the controller's own value and an outsider's."""
        value = self._overrides.get(point, self._changed.get(point, own))
        self.values[point] = value
        return value
