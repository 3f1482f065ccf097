"""A controller's own alarms: event state, time stamps and acknowledgement of one object.

One transition each to off-normal, to fault and to normal is remembered, with its time and
whether somebody acknowledged it (ANSI/ASHRAE 135, clauses 13.2 and 13.5).
"""

from __future__ import annotations

from collections.abc import Callable
from typing import Any, Final

from bacpypes3.basetypes import DateTime, EventTransitionBits, TimeStamp
from bacpypes3.basetypes import EventState as StateNumber
from bacpypes3.errors import ServicesError
from bacpypes3.primitivedata import Date, Time

from plantview.simulator.devices.bacnet_access import IN_ALARM, Shown
from plantview.simulator.devices.device_clock import DeviceClock, bacnet_date_time
from plantview.simulator.devices.event_algorithms import FAULT, NORMAL, Algorithm, EventState, Sample

TO_OFFNORMAL, TO_FAULT, TO_NORMAL = range(3)
TRANSITIONS: Final = 3

BacnetObject = Any
"""The protocol stack has no type information."""
Read = Callable[[], float]


class Alarm:
    """The event state of one object, which is ``shown`` itself or watches it."""

    def __init__(
        self, source: BacnetObject, shown: Shown, algorithm: Callable[[], Algorithm], clock: DeviceClock, *,
        reference: Read | None = None, want_ack: tuple[bool, bool, bool] = (True, True, False),
    ) -> None:  # fmt: skip
        self.source = source
        """The object that bears the event properties."""
        self._shown = shown
        self._algorithm = algorithm
        self._clock = clock
        self._reference = reference
        self._want_ack = want_ack
        self._events = EventState(algorithm())
        self._enabled = True
        self.states = [NORMAL] * TRANSITIONS
        """The state that the last transition of each kind led to."""
        self.forget()

    @property
    def state(self) -> int:
        """Return the event state."""
        return self._events.state

    @property
    def acknowledged(self) -> list[bool]:
        """Return for each kind of transition whether nobody has to acknowledge it any more."""
        return list(self._acknowledged)

    @property
    def noteworthy(self) -> bool:
        """Return whether GetEventInformation has to list it."""
        return self.state != NORMAL or not all(self._acknowledged)

    def forget(self) -> None:
        """Go back to a controller's first day: normal, nothing stamped, nothing to acknowledge."""
        self._acknowledged = [True] * TRANSITIONS
        self.source.eventTimeStamps = [_unspecified() for _ in range(TRANSITIONS)]
        self._publish()

    def reload(self) -> None:
        """Take over settings that somebody changed."""
        self._events.algorithm = self._algorithm()
        enabled = bool(self.source.eventDetectionEnable)
        if self._enabled and not enabled:
            self._events = EventState(self._algorithm())
            self.forget()
        self._enabled = enabled

    def scan(self, now_s: float) -> None:
        """Let the algorithm look at the present values."""
        if not self._enabled:
            return
        sample = Sample(self._shown.value(), self._reference() if self._reference else 0.0)
        if self._events.scan(now_s, sample, faulty=self._shown.faulty):
            self._passed()

    def acknowledge(self, state: int, stamp: TimeStamp) -> None:
        """Acknowledge the transition that led to ``state`` at ``stamp``; ServicesError if there was none."""
        transition = transition_to(state)
        if self.states[transition] != state or self._never(transition):
            raise ServicesError("invalidEventState")
        if not _same(stamp, self.source.eventTimeStamps[transition]):
            raise ServicesError("invalidTimeStamp")
        self._acknowledged[transition] = True
        self._publish()

    def _passed(self) -> None:
        transition = transition_to(self.state)
        self.states[transition] = self.state
        self._acknowledged[transition] = not self._want_ack[transition]
        stamps = list(self.source.eventTimeStamps)
        stamps[transition] = TimeStamp(dateTime=bacnet_date_time(self._clock.local()))
        self.source.eventTimeStamps = stamps
        self._publish()

    def _publish(self) -> None:
        self.source.eventState = StateNumber(self.state)
        self.source.ackedTransitions = EventTransitionBits([int(done) for done in self._acknowledged])
        if self.source is self._shown:
            self._shown.flag(IN_ALARM, self.state != NORMAL)

    def _never(self, transition: int) -> bool:
        return _same(self.source.eventTimeStamps[transition], _unspecified())


def transition_to(state: int) -> int:
    """Return the kind of transition that leads to a state."""
    return {NORMAL: TO_NORMAL, FAULT: TO_FAULT}.get(state, TO_OFFNORMAL)


def _unspecified() -> TimeStamp:
    every = (255, 255, 255, 255)
    return TimeStamp(dateTime=DateTime(date=Date(every), time=Time(every)))


def _same(one: TimeStamp, other: TimeStamp) -> bool:
    if one.dateTime is None or other.dateTime is None:
        return False
    return (one.dateTime.date, one.dateTime.time) == (other.dateTime.date, other.dateTime.time)
