"""Stored samples as frames, as if they were being read again: what was current at each moment, and how old.

A log's points are often written more slowly than a device would be polled. Each point's period
is taken from its own samples where that is longer, so that five-minute readings are not stale
ten seconds after they were written.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from plantview.history import Samples
from plantview.history.latest import BAD_AFTER_PERIODS, BAD_AFTER_S_MIN, NOT_READ, STALE_AFTER_PERIODS, age_text
from plantview.model.quality import Quality
from plantview.model.reading import Batch, Frame, Reading, bad
from plantview.model.signal import Signal

DERIVE_PERIOD_S: Final = 15.0
WINDOW_MS: Final = 6 * 3_600_000
"""Samples of so long a stretch are in memory at once."""
LOOK_BACK_MS: Final = 3_600_000
"""Readings before a stretch that may still be current at its beginning."""

Read = Callable[[str, int, int], Samples]
Told = Callable[[int, int], None]


@dataclass(frozen=True, slots=True)
class _Track:
    """One point over a stretch: which sample is the newest at each step, and how old it then is."""

    name: str
    samples: Samples
    place: NDArray[np.int64]
    """Index of the newest sample at each step; -1 where there is none."""
    stale_ms: float
    bad_ms: float


def periods_s(signals: Sequence[Signal], read: Read, from_ms: int, to_ms: int) -> dict[str, float]:
    """Return how often each signal was read: as described, or as its samples stand where they are further apart."""
    found = {}
    for signal in signals:
        at_ms = read(signal.name, from_ms, min(to_ms, from_ms + 24 * 3_600_000)).at_ms
        steps = np.diff(at_ms)
        usual_s = float(np.median(steps)) / 1_000 if len(steps) else 0.0
        found[signal.name] = max(signal.period_s, usual_s)
    return found


def step_s(periods: Mapping[str, float], read: Read, from_ms: int, to_ms: int) -> float:
    """Return the step that loses nothing: that of the quickest point that has samples, 15 s at least."""
    probe = min(to_ms, from_ms + 24 * 3_600_000)
    seen = [period for name, period in periods.items() if len(read(name, from_ms, probe).at_ms)]
    return max(DERIVE_PERIOD_S, min(seen, default=DERIVE_PERIOD_S))


def frames(
    signals: Sequence[Signal], read: Read, span: tuple[int, int], step_ms: int, periods: Mapping[str, float]
) -> Iterator[Frame]:
    """Yield the frame of every step of a span, oldest first."""
    seq = 0
    for start in range(span[0], span[1], WINDOW_MS):
        end = min(span[1], start + WINDOW_MS)
        first = span[0] + -(-(start - span[0]) // step_ms) * step_ms
        steps = np.arange(first, end, step_ms, dtype=np.int64)
        tracks = [_track(signal, read, start, end, steps, periods[signal.name]) for signal in signals]
        for number, at in enumerate(steps.tolist()):
            seq += 1
            yield Frame(seq, at, {track.name: _reading(track, number, at) for track in tracks})


def _track(signal: Signal, read: Read, start: int, end: int, steps: NDArray[np.int64], period_s: float) -> _Track:
    look_back = max(LOOK_BACK_MS, int(BAD_AFTER_PERIODS * period_s * 1_000))
    samples = read(signal.name, start - look_back, end)
    place = np.searchsorted(samples.at_ms, steps, side="right").astype(np.int64) - 1
    limit_s = max(BAD_AFTER_PERIODS * period_s, BAD_AFTER_S_MIN)
    return _Track(signal.name, samples, place, STALE_AFTER_PERIODS * period_s * 1_000, limit_s * 1_000)


def _reading(track: _Track, number: int, at: int) -> Reading:
    place = int(track.place[number])
    if place < 0:
        return bad(NOT_READ, at)
    at_ms, quality = int(track.samples.at_ms[place]), Quality(int(track.samples.quality[place]))
    reason = track.samples.reasons[place]
    if quality is Quality.BAD:
        return bad(reason or "no number", at_ms)
    age_ms = at - at_ms
    if age_ms > track.bad_ms:
        return bad(f"not renewed; last value {age_text(age_ms)} ago", at_ms)
    value = float(track.samples.values[place])
    if age_ms > track.stale_ms:
        return Reading(value, Quality.STALE, f"not renewed; value is {age_text(age_ms)} old", at_ms)
    return Reading(value, quality, reason, at_ms)


def collected(batches: Sequence[Batch]) -> dict[str, Samples]:
    """Return the readings of several runs as samples by name, each at the moment of its run."""
    at_ms = np.array([batch.at_ms for batch in batches], np.int64)
    names = batches[0].readings if batches else {}
    found = {}
    for name in names:
        readings = [batch.readings[name] for batch in batches]
        values = np.array([np.nan if reading.value is None else reading.value for reading in readings], np.float64)
        quality = np.array([reading.quality for reading in readings], np.uint8)
        found[name] = Samples(at_ms, values, quality, tuple(reading.reason for reading in readings))
    return found
