"""How far a sensor may be off: what its row declares, or our own choice for its quantity."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Final

from plantview.calcs.uncertainty import pair_correlation


@dataclass(frozen=True, slots=True)
class Accuracy:
    """Plus and minus, at 95 %: a part that is always there and a part that grows with the reading."""

    absolute: float = 0.0
    """In the canonical unit of the quantity."""
    share: float = 0.0
    """Of the reading, 0.02 for 2 %."""
    pair: float = 0.0
    """Of the difference to the other sensor of a matched pair, in the canonical unit; 0 where they are no pair."""
    declared: bool = True
    """False for our own choice."""

    @property
    def known(self) -> bool:
        """Return whether anything can be said at all."""
        return self.absolute > 0 or self.share > 0

    def of(self, value: float) -> float:
        """Return how far a canonical reading may be off, in its canonical unit."""
        grown = self.share * value
        return math.sqrt(self.absolute * self.absolute + grown * grown)


UNKNOWN: Final = Accuracy(declared=False)
OWN_CHOICE: Final[dict[str, Accuracy]] = {
    "temperature": Accuracy(0.3, declared=False),
    "temperature_difference": Accuracy(0.3, declared=False),
    "flow": Accuracy(0.0, 0.03, declared=False),
    "pressure_gauge": Accuracy(5.0, 0.005, declared=False),
    "pressure_absolute": Accuracy(0.3, declared=False),
    "pressure_difference": Accuracy(0.5, 0.01, declared=False),
    "power": Accuracy(0.0, 0.02, declared=False),
    "humidity": Accuracy(3.0, declared=False),
}
"""What is taken where a row declares nothing: common sensors after some years (our own choice, no source)."""
PAIRS: Final = (
    ("chws_temp", "chwr_temp"),
    ("cws_temp", "cwr_temp"),
    ("warm_in_temp", "warm_out_temp"),
    ("cool_in_temp", "cool_out_temp"),
    ("entering_temp", "leaving_temp"),
)
"""Measurements of one machine that may be a matched pair, calibrated against each other."""
_PARTNER: Final = dict(PAIRS)


def assumed(quantity: str) -> Accuracy:
    """Return what is taken for a sensor that declares nothing."""
    return OWN_CHOICE.get(quantity, UNKNOWN)


def matched(accuracies: Mapping[str, Accuracy]) -> dict[tuple[str, str], float]:
    """Return the correlation of every matched pair among sensors; both of a pair must declare the same."""
    found = {}
    for name, accuracy in accuracies.items():
        machine, _, measurement = name.rpartition(".")
        partner = f"{machine}.{_PARTNER[measurement]}" if measurement in _PARTNER else ""
        if accuracy.pair and partner in accuracies and accuracies[partner].pair == accuracy.pair:
            found[name, partner] = pair_correlation(accuracy.absolute, accuracy.pair)
    return found
