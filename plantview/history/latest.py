"""The last reading of every signal, and how it grows old.

A reading that is not renewed turns STALE after three periods and BAD (no number) after
ten, or after 60 s where ten periods are shorter.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import Final

from plantview.clock import Clock
from plantview.model.quality import Quality
from plantview.model.reading import Batch, Frame, Reading, bad
from plantview.model.signal import Signal

STALE_AFTER_PERIODS: Final = 3
BAD_AFTER_PERIODS: Final = 10
BAD_AFTER_S_MIN: Final = 60.0
NOT_READ: Final = "not read yet"


class Latest:
    """One reading per signal; never more."""

    def __init__(self, signals: Mapping[str, Signal], clock: Clock) -> None:
        self._clock = clock
        self._since_ms = clock.now_ms()
        """What was never read is unknown since then, not anew with every frame."""
        self._seq = 0
        self._readings: dict[str, Reading] = {}
        self._silence: dict[str, str] = {}
        self._limits_ms = {name: _limits_ms(signal.period_s) for name, signal in signals.items()}
        self._derived = frozenset(name for name, signal in signals.items() if signal.derived)

    def take(self, batch: Batch) -> None:
        """Keep new readings; note for silent points why their last reading is not renewed."""
        for name, reading in batch.readings.items():
            if name not in self._limits_ms:
                continue
            if self._newer(name, reading):
                self._readings[name] = reading
                self._silence.pop(name, None)
        for name, reason in batch.silent.items():
            if name in self._limits_ms:
                self._silence[name] = reason

    def _newer(self, name: str, reading: Reading) -> bool:
        """Return whether a reading replaces the last one.

        A derived value carries the time of its oldest input, which may be older than the
        oldest input of the result before; the later result is the newer knowledge all the same.
        """
        last = self._readings.get(name)
        if last is None or name in self._derived:
            return True
        return reading.at_ms >= last.at_ms or last.at_ms > self._clock.now_ms()

    def frame(self) -> Frame:
        """Return every signal's reading as it stands now."""
        self._seq += 1
        now_ms = self._clock.now_ms()
        readings = {name: self._aged(name, limits, now_ms) for name, limits in self._limits_ms.items()}
        return Frame(self._seq, now_ms, readings)

    def _aged(self, name: str, limits_ms: tuple[float, float], now_ms: int) -> Reading:
        reading = self._readings.get(name)
        silence = self._silence.get(name, "")
        if reading is None:
            return bad(silence or NOT_READ, self._since_ms)
        age_ms = now_ms - reading.at_ms
        if reading.quality is Quality.BAD or age_ms <= limits_ms[0]:
            return reading
        why = silence or "not renewed"
        if age_ms <= limits_ms[1]:
            return Reading(reading.value, Quality.STALE, f"{why}; value is {age_text(age_ms)} old", reading.at_ms)
        return bad(f"{why}; last value {age_text(age_ms)} ago", reading.at_ms)


def _limits_ms(period_s: float) -> tuple[float, float]:
    return STALE_AFTER_PERIODS * period_s * 1_000, max(BAD_AFTER_PERIODS * period_s, BAD_AFTER_S_MIN) * 1_000


def age_text(age_ms: float) -> str:
    """Return an age as a crew says it: ``42 s``, ``4 min``, ``3 h``, ``2 d``."""
    seconds = age_ms / 1_000
    for size, word in ((86_400, "d"), (3_600, "h"), (60, "min")):
        if seconds >= 2 * size:
            return f"{seconds / size:.0f} {word}"
    return f"{seconds:.0f} s"
