"""Hand switches at the machines: while one is not on AUTO, the controller's outputs to it have no effect."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Final

from plantview.model.plant import Plant
from plantview.model.point import Point

SWITCHED: Final = ("command", "speed_command")
SWITCH: Final = "hand_off_auto"
AUTO: Final = "AUTO"


@dataclass(frozen=True, slots=True)
class HandSwitch:
    """The switch of one machine."""

    name: str
    auto: frozenset[float]
    """Numbers that say AUTO."""

    def in_hand(self, reported: Mapping[str, float]) -> bool:
        """Return whether it is known not to be on AUTO."""
        position = reported.get(self.name, math.nan)
        return math.isfinite(position) and position not in self.auto


def hand_switches(plant: Plant, points: Mapping[str, Point]) -> dict[str, HandSwitch]:
    """Return output name -> switch, for those of these outputs whose machine has one that is reported."""
    switches: dict[str, HandSwitch] = {}
    for name, point in points.items():
        switch = plant.points.get(f"{point.equipment}.{SWITCH}")
        if point.measurement in SWITCHED and switch is not None:
            auto = frozenset(float(number) for number, word in switch.states.items() if word.upper() == AUTO)
            switches[name] = HandSwitch(switch.name, auto)
    return switches
