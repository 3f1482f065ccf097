"""Event states of a controller's own alarms: which value leads where, and after how long.

The transitions are those of ANSI/ASHRAE 135, clause 13.3: OUT_OF_RANGE (13.3.6), FLOATING_LIMIT
(13.3.5), CHANGE_OF_STATE (13.3.2) and COMMAND_FAILURE (13.3.4; the last two from memory). All
comparisons are strict. A fault goes to FAULT at once and comes back to NORMAL at once. Left out:
the optional new event when one alarm state follows another (CHANGE_OF_STATE, condition c).
"""

from __future__ import annotations

from collections.abc import Collection
from dataclasses import dataclass
from typing import Final, Protocol

NORMAL: Final = 0
FAULT: Final = 1
OFFNORMAL: Final = 2
HIGH_LIMIT: Final = 3
LOW_LIMIT: Final = 4
"""Event states by their number (clause 21, BACnetEventState)."""


@dataclass(frozen=True, slots=True)
class Sample:
    """What one scan of the controller brings to an alarm."""

    value: float
    reference: float = 0.0
    """Setpoint or feedback; without meaning for the other algorithms."""


@dataclass(frozen=True, slots=True)
class Heading:
    """Where an event state wants to go, and how long the reason must last."""

    state: int
    delay_s: float
    cause: float = 0.0
    """Tells two reasons for the same state apart: the delay of one does not count for the other."""


class Algorithm(Protocol):
    """One of the standard's event algorithms."""

    def heading(self, state: int, sample: Sample) -> Heading | None:
        """Return where ``state`` is heading, or None if the sample gives no reason to leave it."""
        ...


@dataclass(slots=True)
class OutOfRange:
    """Limits that stand still."""

    low: float
    high: float
    deadband: float
    delay_s: float
    delay_normal_s: float
    low_enabled: bool = True
    high_enabled: bool = True
    crosses: bool = False
    """Whether it goes from one limit straight to the other (optional conditions d and g)."""

    def heading(self, state: int, sample: Sample) -> Heading | None:
        """Return where ``state`` is heading."""
        return self.within(state, sample.value, self.low, self.high)

    def within(self, state: int, value: float, low: float, high: float) -> Heading | None:
        """Return where ``state`` is heading between these limits."""
        above, below = self.high_enabled and value > high, self.low_enabled and value < low
        to_high, to_low = Heading(HIGH_LIMIT, self.delay_s), Heading(LOW_LIMIT, self.delay_s)
        if state == HIGH_LIMIT:
            left = not self.high_enabled
            other, back = below, value < high - self.deadband
        elif state == LOW_LIMIT:
            left = not self.low_enabled
            other, back = above, value > low + self.deadband
        else:
            return to_high if above else to_low if below else None
        if left:
            return Heading(NORMAL, 0.0)
        if other and self.crosses:
            return to_low if state == HIGH_LIMIT else to_high
        return Heading(NORMAL, self.delay_normal_s) if back else None


@dataclass(slots=True)
class FloatingLimit:
    """Limits that move with a setpoint: ``low`` and ``high`` of ``band`` are differences from it."""

    band: OutOfRange

    def heading(self, state: int, sample: Sample) -> Heading | None:
        """Return where ``state`` is heading; ``sample.reference`` is the setpoint."""
        low, high = sample.reference - self.band.low, sample.reference + self.band.high
        return self.band.within(state, sample.value, low, high)


@dataclass(slots=True)
class ChangeOfState:
    """Certain states are alarms."""

    alarm_values: Collection[float]
    delay_s: float
    delay_normal_s: float

    def heading(self, state: int, sample: Sample) -> Heading | None:
        """Return where ``state`` is heading."""
        alarming = sample.value in self.alarm_values
        if state == OFFNORMAL:
            return None if alarming else Heading(NORMAL, self.delay_normal_s)
        return Heading(OFFNORMAL, self.delay_s, sample.value) if alarming else None


@dataclass(slots=True)
class CommandFailure:
    """The feedback does not follow the command."""

    delay_s: float
    delay_normal_s: float

    def heading(self, state: int, sample: Sample) -> Heading | None:
        """Return where ``state`` is heading; ``sample.reference`` is the feedback."""
        follows = sample.value == sample.reference
        if state == OFFNORMAL:
            return Heading(NORMAL, self.delay_normal_s) if follows else None
        return None if follows else Heading(OFFNORMAL, self.delay_s)


class EventState:
    """The state of one alarm as scan follows scan."""

    def __init__(self, algorithm: Algorithm) -> None:
        self.algorithm = algorithm
        self.state = NORMAL
        self._pending: Heading | None = None
        self._since_s = 0.0

    def scan(self, now_s: float, sample: Sample, *, faulty: bool = False) -> bool:
        """Take a scan's values; return whether the state changed.

        After a change the algorithm starts anew with the next scan.
        """
        if faulty or self.state == FAULT:
            return self._enter(FAULT if faulty else NORMAL)
        heading = self.algorithm.heading(self.state, sample)
        if heading != self._pending:
            self._pending, self._since_s = heading, now_s
        if heading is None or now_s - self._since_s < heading.delay_s:
            return False
        return self._enter(heading.state)

    def _enter(self, state: int) -> bool:
        self._pending = None
        changed = state != self.state
        self.state = state
        return changed
