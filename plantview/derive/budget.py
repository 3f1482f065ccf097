"""How sure a derived value is: by how much each sensor behind it may have moved it.

Contributions stay apart by sensor through chains of derived values, so that a sensor that
is in two inputs counts once, with its sign; matched pairs err together as far as their rows say.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence

from plantview.calcs.uncertainty import combined, contributions
from plantview.errors import CalcError
from plantview.model.accuracy import Accuracy, matched

Budget = Mapping[str, float]
"""Sensor -> signed contribution (95 %) in the canonical unit of the derived value."""


class Accuracies:
    """What is known of the sensors, and which of them err together."""

    def __init__(self, accuracies: Mapping[str, Accuracy]) -> None:
        self._of, self._pairs = accuracies, matched(accuracies)

    def budget(
        self, calc: Callable[..., float], inputs: Sequence[str], values: Sequence[float], found: Mapping[str, Budget]
    ) -> Budget | None:
        """Return the contributions to a value just calculated; None where one input's accuracy is not known."""
        own = [self._input(name, value, found) for name, value in zip(inputs, values, strict=True)]
        known = [each for each in own if each is not None]
        if len(known) < len(own):
            return None
        spreads = [self.u95(each) for each in known]
        try:
            moved = contributions(calc, values, spreads)
        except CalcError:
            return None
        total: dict[str, float] = {}
        for part, spread, each in zip(moved, spreads, known, strict=True):
            for sensor, share in each.items():
                total[sensor] = total.get(sensor, 0.0) + (part * share / spread if spread else 0.0)
        return total

    def u95(self, budget: Budget) -> float:
        """Return the expanded uncertainty of a value with these contributions."""
        names = list(budget)
        return combined([budget[name] for name in names], self.together(names))

    def together(self, sensors: Sequence[str]) -> dict[tuple[int, int], float]:
        """Return the correlation of each matched pair among sensors, by their places."""
        place = {name: at for at, name in enumerate(sensors)}
        return {
            (place[one], place[other]): r for (one, other), r in self._pairs.items() if one in place and other in place
        }

    def undeclared(self, sensors: Sequence[str]) -> int:
        """Return of how many sensors the accuracy is our own choice, or not known at all."""
        return sum(not self._of[name].declared for name in sensors)

    def of(self, name: str) -> Accuracy | None:
        """Return what is known of a sensor; None for what is no sensor."""
        return self._of.get(name)

    def _input(self, name: str, value: float, found: Mapping[str, Budget]) -> Budget | None:
        if name not in self._of:
            return found.get(name)
        accuracy = self._of[name]
        return {name: accuracy.of(value)} if accuracy.known else None
