"""What the points of one piece of equipment say in one frame, with states as yes or no.

A state comes as a number whose word stands in the point list. Sites write these words
differently, so they are compared by two sets of words (common practice, no source).
"""

from __future__ import annotations

import re
from dataclasses import dataclass
from typing import Final

from plantview.model.operation import Condition, Operation
from plantview.model.plant import Plant
from plantview.model.quality import Quality
from plantview.model.reading import Frame, Reading

YES: Final = frozenset(
    {
        "ON",
        "RUN",
        "RUNNING",
        "START",
        "STARTED",
        "ENABLE",
        "ENABLED",
        "ACTIVE",
        "TRUE",
        "YES",
        "1",
        "OPEN",
        "OPENED",
        "FLOW",
        "FLOW PROVEN",
        "PROVEN",
        "MADE",
    }
)
TROUBLE: Final = frozenset({"FAULT", "ALARM", "TRIP", "TRIPPED", "FAILED", "FAILURE", "LOW", "HIGH"})
"""Words that say yes for a fault or a switch, and no for a run status: a tripped machine does not run."""
NO: Final = frozenset(
    {
        "OFF",
        "STOP",
        "STOPPED",
        "DISABLE",
        "DISABLED",
        "INACTIVE",
        "FALSE",
        "NO",
        "0",
        "CLOSED",
        "CLOSE",
        "IDLE",
        "READY",
        "NO FLOW",
        "NOT PROVEN",
        "NORMAL",
        "OK",
        "HEALTHY",
        "NO FAULT",
        "NO ALARM",
    }
)

SILENCE: Final = re.compile(r"no answer|no connection|no way to|not renewed|last value", re.IGNORECASE)
"""Reasons that mean "nothing came from the device", as drivers and the ageing of readings write them."""

UNKNOWN_WORD: Final = "UNKNOWN"


@dataclass(frozen=True, slots=True)
class Observed:
    """One plant in one frame."""

    plant: Plant
    frame: Frame

    def has(self, equipment: str, *measurements: str) -> bool:
        """Return whether any of the measurements has a point."""
        return any(self.plant.point(equipment, name) is not None for name in measurements)

    def number(self, equipment: str, measurement: str) -> float | None:
        """Return the value in the canonical unit of its quantity; None if it may not be used."""
        point = self.plant.point(equipment, measurement)
        reading = self.reading(equipment, measurement)
        if point is None or reading is None or reading.value is None or not reading.usable:
            return None
        return point.unit.to_canonical(reading.value)

    def word(self, equipment: str, measurement: str) -> str:
        """Return the word of a state in capitals; empty if it may not be used."""
        point = self.plant.point(equipment, measurement)
        reading = self.reading(equipment, measurement)
        if point is None or reading is None or reading.value is None or not reading.usable:
            return ""
        return point.states.get(round(reading.value), f"{reading.value:g}").strip().upper()

    def state(self, equipment: str, measurement: str) -> bool | None:
        """Return whether a state is on; None if it may not be used or its word is not understood."""
        word = self.word(equipment, measurement)
        if word in TROUBLE:
            return measurement != "status"
        if word in YES:
            return True
        return False if word in NO else None

    def reading(self, equipment: str, measurement: str) -> Reading | None:
        """Return the reading on a measurement; None if it has no point."""
        point = self.plant.point(equipment, measurement)
        return None if point is None else self.frame.reading(point.name)

    def in_hand(self, equipment: str) -> bool:
        """Return whether a local switch, or the panel itself, holds the equipment."""
        status = self.reading(equipment, "status")
        overridden = (
            status is not None and status.quality is Quality.UNCERTAIN and status.reason.lower().startswith("in hand")
        )
        return (
            overridden
            or self.word(equipment, "hand_off_auto") == "HAND"
            or self.word(equipment, "local_remote") == "LOCAL"
        )

    def unknown(self, equipment: str, *measurements: str, word: str = UNKNOWN_WORD) -> Condition:
        """Return why nothing can be said: NO COMMS if the device is silent, else unknown with the reason."""
        hand = self.in_hand(equipment)
        reasons = [found for name in measurements if (found := self._trouble(equipment, name))]
        for reason, silent in reasons:
            if silent:
                return Condition(Operation.NO_COMMS, "NO COMMS", reason, hand)
        detail = reasons[0][0] if reasons else "not measured"
        return Condition(Operation.UNKNOWN, word, detail, hand)

    def _trouble(self, equipment: str, measurement: str) -> tuple[str, bool] | None:
        reading = self.reading(equipment, measurement)
        if reading is None:
            return None
        if reading.usable:
            word = self.word(equipment, measurement)
            return None if word in YES | NO | TROUBLE else (f"{measurement} says {word}", False)
        return reading.reason, reading.quality is Quality.STALE or SILENCE.search(reading.reason) is not None
