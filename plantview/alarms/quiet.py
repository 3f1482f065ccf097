"""Which alarms need a look: all but those about which nothing can have changed.

After a full judgement most alarms are settled: inactive, no delay and no timer running. Such an
alarm stays as it is until its value passes the limit, or what its condition looks at changes. One
pass over arrays finds those that must be judged; being judged too often does no harm, so every
test here errs to that side. ``scan`` alone decides.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from operator import itemgetter
from typing import Final

import numpy as np
from numpy.typing import NDArray

from plantview.alarms.expression import signals_of
from plantview.alarms.life import BY_DESIGN, Life
from plantview.alarms.table import State
from plantview.alarms.watch import Deviation, DeviceOwn, Limit, Mismatch, Rate, StateIs, Unusable
from plantview.model.quality import Quality
from plantview.model.reading import Frame, Reading, bad
from plantview.model.signal import Signal

NEVER: Final = np.inf
_MARGIN: Final = 1e-6
"""Of a deviation, which is rounded before it is compared."""
_NOT_READ: Final = bad("not read yet", 0)
_RESTING: Final = frozenset({State.NORM, State.RTNUN, State.LATUN, State.LATAC})


class Quiet:
    """Remembers the settled alarms of one engine; the others are judged in every scan."""

    def __init__(self, lives: Sequence[Life]) -> None:
        self._lives = tuple(lives)
        self._number = {life.rule.id: number for number, life in enumerate(self._lives)}
        self._lower: dict[int, list[int]] = {}
        for number, life in enumerate(self._lives):
            for name in life.rule.speakers:
                self._lower.setdefault(self._number[name], []).append(number)
        self._awake = set(range(len(self._lives)))
        self._silent: frozenset[str] = frozenset()
        self._lay_out()

    def awake(self, frame: Frame, silent: Mapping[str, str], moved: Iterable[str]) -> list[Life]:
        """Return the alarms to judge, in their order; ``moved`` were touched since the last scan."""
        values = self._values(frame.readings)
        if silent.keys() != self._silent:
            self._silent = frozenset(silent)
            self._awake.update(range(len(self._lives)))
        else:
            self._awake.update(self._number[name] for name in moved if name in self._number)
            self._awake.update(self._woken(values))
        self._before = values
        for number in [number for number in self._awake if number in self._lower]:
            self._awake.update(self._lower[number])
        self._threshold[list(self._awake)] = NEVER
        self._needs_value[list(self._awake)] = False
        return [self._lives[number] for number in sorted(self._awake)]

    def settle(self, judged: Iterable[Life]) -> None:
        """Let those rest about which time alone changes nothing."""
        for life in judged:
            number = self._number[life.rule.id]
            if not _settled(life, known=self._known(number)):
                continue
            self._awake.discard(number)
            self._needs_value[number] = isinstance(life.rule.watch, Unusable)
            if life.gate_open and not life.frozen:
                self._threshold[number] = self._limit[number]

    def _lay_out(self) -> None:
        count = len(self._lives)
        numbers: dict[str, int] = {}
        self._value, self._target = (np.zeros(count, dtype=np.intp) for _ in range(2))
        self._factor, self._offset, self._sign = np.zeros(count), np.zeros(count), np.ones(count)
        self._limit, self._threshold = np.full(count, NEVER), np.full(count, NEVER)
        self._needs_value = np.zeros(count, dtype=np.bool_)
        listening: dict[int, list[int]] = {}

        def place(signal: Signal) -> int:
            return numbers.setdefault(signal.name, len(numbers))

        for number, life in enumerate(self._lives):
            watch = life.rule.watch
            heard: tuple[Signal, ...] = () if life.rule.gate is None else signals_of(life.rule.gate)
            match watch:
                case Limit(signal, upper, limit):
                    self._value[number], self._sign[number] = place(signal), 1.0 if upper else -1.0
                    self._limit[number] = limit if upper else -limit
                case Deviation(signal, setpoint, upper, limit):
                    self._value[number], self._sign[number] = place(signal), 1.0 if upper else -1.0
                    self._target[number] = place(setpoint)
                    self._factor[number] = setpoint.unit.factor / signal.unit.factor
                    self._offset[number] = (setpoint.unit.offset - signal.unit.offset) / signal.unit.factor
                    self._limit[number] = limit - _MARGIN * (1.0 + abs(limit))
                case StateIs(signal):
                    heard += (signal,)
                case Mismatch(signal, command):
                    heard += (signal, command)
                case Unusable(signal):
                    self._value[number] = place(signal)
                case _:
                    pass
            for signal in heard:
                listening.setdefault(place(signal), []).append(number)
        self._names = tuple(numbers)
        self._pick = itemgetter(*self._names) if len(numbers) > 1 else None
        self._heard = np.array(sorted(listening), dtype=np.intp)
        self._listeners = [listening[signal] for signal in sorted(listening)]
        self._before = np.full(max(1, len(numbers)), np.nan)

    def _values(self, readings: Mapping[str, Reading]) -> NDArray[np.float64]:
        """Return the usable number of each signal, in order; NaN where there is none."""
        try:
            found = self._pick(readings) if self._pick is not None else None
        except KeyError:
            found = None
        if found is None:
            found = [readings.get(name, _NOT_READ) for name in self._names] or [_NOT_READ]
        doubtful = Quality.UNCERTAIN
        return np.array([item.value if item.quality <= doubtful else None for item in found], dtype=np.float64)

    def _woken(self, values: NDArray[np.float64]) -> set[int]:
        target = np.where(self._factor == 0.0, 0.0, values[self._target] * self._factor + self._offset)
        seen = values[self._value]
        called = self._sign * (seen - target) > self._threshold
        called |= self._needs_value & np.isnan(seen)
        woken = set(np.flatnonzero(called).tolist())
        now, before = values[self._heard], self._before[self._heard]
        changed = (now != before) & ~(np.isnan(now) & np.isnan(before))
        for signal in np.flatnonzero(changed).tolist():
            woken.update(self._listeners[signal])
        return woken

    def _known(self, number: int) -> bool:
        return not np.isnan(self._before[self._value[number]])


def _settled(life: Life, *, known: bool) -> bool:
    """Return whether this alarm stays as it is while nothing changes; ``known`` says that its value is usable."""
    kept, watch = life.kept, life.rule.watch
    at_rest = kept.state in _RESTING or (kept.state is State.DSUPR and kept.suppressed_by == BY_DESIGN)
    if not at_rest or life.delay.active or life.delay.running or life.returned is not None:
        return False
    if isinstance(watch, DeviceOwn | Rate) or (isinstance(watch, Unusable) and not known):
        return False
    return life.gate is None or life.frozen or life.gate.settled
