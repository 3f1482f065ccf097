"""What an alarm watches: the bare condition of each type, before any delay.

``judge`` answers true, false, or None where the readings do not tell. Comparison is
strict, as in ASHRAE 135 clause 13.3: set when v > limit, cleared when v < limit - deadband;
equal neither sets nor clears. Numbers are in the unit in which the signal is read.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field
from typing import Final

from plantview.alarms.gate import usable
from plantview.alarms.names import is_on
from plantview.model.device_event import DeviceEvent
from plantview.model.quality import Quality
from plantview.model.reading import Frame
from plantview.model.signal import Signal

SAMPLES_MAX: Final = 2_000
UNHEARD_S: Final = 60.0
"""A device that is silent from the start on, or so soon after it, was not lost together with others."""
_NOISE_DIGITS: Final = 9
"""Differences are rounded so that 46.6 - 44.6 equals 2.0."""


@dataclass(frozen=True, slots=True)
class Limit:
    """A value above (or below) a fixed limit."""

    signal: Signal
    upper: bool
    limit: float
    deadband: float

    @property
    def signals(self) -> tuple[Signal, ...]:
        """Return what is read."""
        return (self.signal,)

    @property
    def clears_at(self) -> float:
        """Return the number that must be passed on the way back."""
        return round(self.limit - self.deadband if self.upper else self.limit + self.deadband, _NOISE_DIGITS)


@dataclass(frozen=True, slots=True)
class Deviation:
    """A value too far above (or below) its setpoint; the limit moves with the setpoint."""

    signal: Signal
    setpoint: Signal
    upper: bool
    limit: float
    deadband: float

    @property
    def signals(self) -> tuple[Signal, ...]:
        """Return what is read."""
        return (self.signal, self.setpoint)

    def target(self, frame: Frame) -> float | None:
        """Return the setpoint in the unit of the watched signal."""
        value = usable(self.setpoint, frame)
        if value is None or self.setpoint.unit == self.signal.unit:
            return value
        return self.signal.unit.from_canonical(self.setpoint.unit.to_canonical(value))


@dataclass(slots=True)
class Rate:
    """A value that changed by more than ``limit``, up or down, within the last ``within_s``."""

    signal: Signal
    limit: float
    deadband: float
    within_s: float
    _samples: deque[tuple[float, float]] = field(default_factory=lambda: deque(maxlen=SAMPLES_MAX))

    @property
    def signals(self) -> tuple[Signal, ...]:
        """Return what is read."""
        return (self.signal,)

    def change(self, value: float | None, now_s: float) -> float | None:
        """Take a value and return the change within the window; a gap in the readings begins afresh."""
        if value is None:
            self._samples.clear()
            return None
        self._samples.append((now_s, value))
        while self._samples[0][0] < now_s - self.within_s:
            self._samples.popleft()
        return round(max(abs(value - old) for _, old in self._samples), _NOISE_DIGITS)


@dataclass(frozen=True, slots=True)
class StateIs:
    """A state that is one of the alarm states."""

    signal: Signal
    numbers: frozenset[int]

    @property
    def signals(self) -> tuple[Signal, ...]:
        """Return what is read."""
        return (self.signal,)


@dataclass(frozen=True, slots=True)
class Mismatch:
    """A command and what answers it disagree: on against off, or by more than ``allowed``."""

    signal: Signal
    """The answer: run status or position."""
    command: Signal
    allowed: float | None
    """In the signal's unit; None for states."""

    @property
    def signals(self) -> tuple[Signal, ...]:
        """Return what is read."""
        return (self.command, self.signal)


@dataclass(frozen=True, slots=True)
class Silence:
    """A device that does not answer."""

    device: str
    label: str

    @property
    def signals(self) -> tuple[Signal, ...]:
        """Return nothing: silence is not read from a signal."""
        return ()


@dataclass(slots=True)
class Losses:
    """Several devices lost within a short time: a power or network failure, told once."""

    count: int
    within_s: float
    lost: frozenset[str] = frozenset()
    """Devices of the present failure; this alarm speaks for them."""
    _since_s: dict[str, float | None] = field(default_factory=dict)
    """Silent device -> since when; None for one that never answered since the start."""

    @property
    def signals(self) -> tuple[Signal, ...]:
        """Return nothing: silence is not read from a signal."""
        return ()

    def take(self, silent: Iterable[str], now_s: float, *, starting: bool, active: bool) -> bool:
        """Note who is silent and return whether enough were lost together; while ``active`` nobody leaves unheard."""
        first = None if starting else now_s
        self._since_s = {device: self._since_s.get(device, first) for device in sorted(silent)}
        unheard = {device for device, since_s in self._since_s.items() if since_s is None} if active else set()
        times = [since_s for since_s in self._since_s.values() if since_s is not None]
        groups = [self._within(start_s) | unheard for start_s in times] or [unheard]
        largest = max(groups, key=len)
        self.lost = frozenset(largest) if len(largest) >= self.count else frozenset()
        return bool(self.lost)

    def _within(self, start_s: float) -> set[str]:
        end_s = start_s + self.within_s
        return {
            device for device, since_s in self._since_s.items() if since_s is not None and start_s <= since_s <= end_s
        }


@dataclass(frozen=True, slots=True)
class Unusable:
    """A reading that its device answers, but that is BAD: refused, faulty or out of range."""

    signal: Signal

    @property
    def signals(self) -> tuple[Signal, ...]:
        """Return what is read."""
        return (self.signal,)


@dataclass(frozen=True, slots=True)
class DeviceOwn:
    """What a device itself considers to be in alarm: all its objects as a row, one of them as an alarm."""

    device: str
    label: str
    name: str = ""
    """The object, such as ``analog-input,3``; empty in the row of the device."""
    signal: Signal | None = None
    """The point that reads the object, if there is one."""
    points: Mapping[str, Signal] = field(default_factory=dict)
    """Object -> the point that reads it."""

    @property
    def signals(self) -> tuple[Signal, ...]:
        """Return the point of the object, for a trend of it."""
        return () if self.signal is None else (self.signal,)


Watch = Limit | Deviation | Rate | StateIs | Mismatch | Silence | Losses | Unusable | DeviceOwn


@dataclass(frozen=True, slots=True)
class Scan:
    """What is known at one moment."""

    frame: Frame
    silent: Mapping[str, str]
    """Device id -> why it does not answer."""
    now_s: float
    """Monotonic."""
    since_start_s: float = 0.0
    events: Mapping[str, tuple[DeviceEvent, ...]] = field(default_factory=dict)
    """Device id -> the objects that it considers to be in alarm; a device that was not heard yet is missing."""


def judge(watch: Watch, scan: Scan, *, active: bool) -> bool | None:
    """Return whether the bare condition is true; ``active`` says which side of the deadband counts."""
    match watch:
        case Limit():
            return _limit(watch, usable(watch.signal, scan.frame), active=active)
        case Deviation():
            return _deviation(watch, scan.frame, active=active)
        case Rate():
            change = watch.change(usable(watch.signal, scan.frame), scan.now_s)
            return None if change is None else _beyond(change, watch.limit, watch.limit - watch.deadband, active=active)
        case StateIs(signal, numbers):
            value = usable(signal, scan.frame)
            return None if value is None else round(value) in numbers
        case Mismatch():
            return _mismatch(watch, scan.frame)
        case Silence() | Losses() | DeviceOwn():
            return _of_device(watch, scan, active=active)
        case Unusable(signal):
            quality = scan.frame.reading(signal.name).quality
            return None if quality is Quality.STALE else quality is Quality.BAD


def _of_device(watch: Silence | Losses | DeviceOwn, scan: Scan, *, active: bool) -> bool | None:
    match watch:
        case Silence(device):
            return device in scan.silent
        case Losses():
            return watch.take(scan.silent, scan.now_s, starting=scan.since_start_s < UNHEARD_S, active=active)
        case DeviceOwn(device, _, name):
            listed = scan.events.get(device)
            return None if listed is None else any(one.object_name == name and one.active for one in listed)


def _beyond(value: float, set_at: float, clear_at: float, *, active: bool) -> bool:
    """Return whether a value is beyond an upper limit, or not yet back from it."""
    return value >= clear_at if active else value > set_at


def _limit(watch: Limit, value: float | None, *, active: bool) -> bool | None:
    if value is None:
        return None
    if watch.upper:
        return _beyond(value, watch.limit, watch.clears_at, active=active)
    return _beyond(-value, -watch.limit, -watch.clears_at, active=active)


def _deviation(watch: Deviation, frame: Frame, *, active: bool) -> bool | None:
    value, target = usable(watch.signal, frame), watch.target(frame)
    if value is None or target is None:
        return None
    apart = round(value - target if watch.upper else target - value, _NOISE_DIGITS)
    return _beyond(apart, watch.limit, round(watch.limit - watch.deadband, _NOISE_DIGITS), active=active)


def _mismatch(watch: Mismatch, frame: Frame) -> bool | None:
    answer, command = usable(watch.signal, frame), usable(watch.command, frame)
    if answer is None or command is None:
        return None
    if watch.allowed is None:
        ordered, answered = is_on(watch.command, command), is_on(watch.signal, answer)
        return None if ordered is None or answered is None else ordered != answered
    return round(abs(answer - command), _NOISE_DIGITS) > watch.allowed
