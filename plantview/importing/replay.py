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
from plantview.model.columns import Column, Reasons
from plantview.model.quality import Quality
from plantview.model.reading import Frame
from plantview.model.signal import Signal

DERIVE_PERIOD_S: Final = 15.0
WINDOW_MS: Final = 6 * 3_600_000
"""Samples of so long a stretch are in memory at once."""
LOOK_BACK_MS: Final = 3_600_000
"""Readings before a stretch that may still be current at its beginning."""

PROBE_MS: Final = 24 * 3_600_000
"""From how much of a span it is learned how often each point was read."""
STEPS_MAX: Final = 43_200
"""Steps that are worked out together: a month of minutes, about 300 MB for a plant of 160 points."""
FEW_SAMPLES: Final = 4
"""With fewer samples in an hour a day is looked at to learn how often a point was read."""
QUARTER_MS: Final = 900_000
"""Sensors are reconciled by quarters of an hour, which no stretch may cut."""

Read = Callable[[str, int, int], Samples]
ReadAll = Callable[[Sequence[str], int, int], Mapping[str, Samples]]


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
        at_ms = read(signal.name, from_ms, min(to_ms, from_ms + PROBE_MS)).at_ms
        steps = np.diff(at_ms)
        usual_s = float(np.median(steps)) / 1_000 if len(steps) else 0.0
        found[signal.name] = max(signal.period_s, usual_s)
    return found


def step_s(periods: Mapping[str, float], read: Read, from_ms: int, to_ms: int) -> float:
    """Return the step that loses nothing: that of the quickest point that has samples, 15 s at least."""
    probe = min(to_ms, from_ms + PROBE_MS)
    seen = [period for name, period in periods.items() if len(read(name, from_ms, probe).at_ms)]
    return max(DERIVE_PERIOD_S, min(seen, default=DERIVE_PERIOD_S))


@dataclass(frozen=True, slots=True)
class Stepping:
    """How a span of stored samples is gone through."""

    periods: Mapping[str, float]
    """How often each signal was read [s]."""
    step_ms: int
    count: int


def stepping(
    signals: Sequence[Signal], read_all: ReadAll, span: tuple[int, int], least_s: float = DERIVE_PERIOD_S
) -> Stepping:
    """Return the steps of a span, ``least_s`` apart at the least, after a look at its first day."""
    first = read_all([signal.name for signal in signals], span[0], min(span[1], span[0] + PROBE_MS))

    def probe(name: str, from_ms: int, to_ms: int) -> Samples:
        del from_ms, to_ms  # the first day, read once for all points
        return first[name]

    periods = periods_s(signals, probe, *span)
    step_ms = round(max(least_s, step_s(periods, probe, *span)) * 1_000)
    return Stepping(periods, step_ms, -(-(span[1] - span[0]) // step_ms))


def frames(
    signals: Sequence[Signal], read: Read, span: tuple[int, int], step_ms: int, periods: Mapping[str, float]
) -> Iterator[Frame]:
    """Yield the frame of every step of a span, oldest first."""
    seq = 0
    for start in range(span[0], span[1], WINDOW_MS):
        end = min(span[1], start + WINDOW_MS)
        steps, reasons = _steps(span[0], start, end, step_ms), Reasons()
        tracks = [_track(signal, read, start, end, steps, periods[signal.name]) for signal in signals]
        aged = {track.name: _aged(track, steps, reasons) for track in tracks}
        for row, at in enumerate(steps.tolist()):
            seq += 1
            readings = {name: column.reading(row, int(taken[row]), reasons) for name, (column, taken) in aged.items()}
            yield Frame(seq, at, readings)


def stretches(
    signals: Sequence[Signal],
    read_all: ReadAll,
    span: tuple[int, int],
    step_ms: int,
    periods: Mapping[str, float],
    reasons: Reasons,
) -> Iterator[tuple[NDArray[np.int64], dict[str, Column]]]:
    """Yield the same steps as columns, so many at a time; a stretch after the first begins with a quarter of an hour."""
    window_ms = max(1, STEPS_MAX * step_ms // QUARTER_MS) * QUARTER_MS
    look_back = max(LOOK_BACK_MS, int(BAD_AFTER_PERIODS * max(periods.values(), default=0.0) * 1_000))
    for begin in range(span[0] // QUARTER_MS * QUARTER_MS, span[1], window_ms):
        start, end = max(span[0], begin), min(span[1], begin + window_ms)
        steps = _steps(span[0], start, end, step_ms)
        if not steps.size:
            continue
        every = read_all([signal.name for signal in signals], start - look_back, end)

        def read(name: str, from_ms: int, to_ms: int, found: Mapping[str, Samples] = every) -> Samples:
            del from_ms, to_ms  # what is older than a reading may be is BAD by its age
            return found[name]

        tracks = (_track(signal, read, start, end, steps, periods[signal.name]) for signal in signals)
        yield steps, {track.name: _aged(track, steps, reasons)[0] for track in tracks}


def moments(
    signals: Sequence[Signal], read_all: ReadAll, at_ms: NDArray[np.int64], reasons: Reasons
) -> tuple[dict[str, Column], dict[str, NDArray[np.int64]]]:
    """Return what was current at some rising moments, and when it was read; a signal never read then is in neither.

    How often a signal was read is learned from the hour before, from a whole day where it was read less often.
    """
    names = [signal.name for signal in signals]
    start, end = int(at_ms[0]), int(at_ms[-1]) + 1
    found = dict(read_all(names, start - LOOK_BACK_MS, end))
    rare = [name for name in names if found[name].at_ms.size < FEW_SAMPLES]
    found |= read_all(rare, start - PROBE_MS, end) if rare else {}
    there = [signal for signal in signals if found[signal.name].at_ms.size]

    def read(name: str, from_ms: int, to_ms: int) -> Samples:
        del from_ms, to_ms  # what is older than a reading may be is BAD by its age
        return found[name]

    periods = periods_s(there, read, start - PROBE_MS, end)
    tracks = [_track(signal, read, start, end, at_ms, periods[signal.name]) for signal in there]
    aged = {track.name: _aged(track, at_ms, reasons) for track in tracks}
    return {name: each[0] for name, each in aged.items()}, {name: each[1] for name, each in aged.items()}


def _steps(first_ms: int, start: int, end: int, step_ms: int) -> NDArray[np.int64]:
    return np.arange(first_ms + -(-(start - first_ms) // step_ms) * step_ms, end, step_ms, dtype=np.int64)


def _track(signal: Signal, read: Read, start: int, end: int, steps: NDArray[np.int64], period_s: float) -> _Track:
    look_back = max(LOOK_BACK_MS, int(BAD_AFTER_PERIODS * period_s * 1_000))
    samples = read(signal.name, start - look_back, end)
    place = np.searchsorted(samples.at_ms, steps, side="right").astype(np.int64) - 1
    limit_s = max(BAD_AFTER_PERIODS * period_s, BAD_AFTER_S_MIN)
    return _Track(signal.name, samples, place, STALE_AFTER_PERIODS * period_s * 1_000, limit_s * 1_000)


def _aged(track: _Track, steps: NDArray[np.int64], reasons: Reasons) -> tuple[Column, NDArray[np.int64]]:
    """Return what was current at each step, and when it was read."""
    if not track.samples.at_ms.size:
        return Column.same(steps.size, np.nan, Quality.BAD, reasons.code(NOT_READ)), steps
    place = np.maximum(track.place, 0)
    taken = track.samples.at_ms[place]
    age_ms = steps - taken
    values, quality = track.samples.values[place], track.samples.quality[place]
    texts = track.samples.reasons
    codes = np.zeros(steps.size, np.int64)
    if any(texts):
        codes = np.array([reasons.code(text) for text in texts], np.int64)[place]
    lost = quality == Quality.BAD
    codes[lost & (codes == 0)] = reasons.code("no number")
    old = ~lost & (age_ms > track.bad_ms)
    stale = ~lost & ~old & (age_ms > track.stale_ms)
    for where, words in ((old, "not renewed; last value {} ago"), (stale, "not renewed; value is {} old")):
        ages, at = np.unique(age_ms[where], return_inverse=True)
        said = [reasons.code(words.format(age_text(age))) for age in ages.tolist()]
        codes[where] = np.array(said, np.int64)[at]
    never = track.place < 0
    codes[never] = reasons.code(NOT_READ)
    bad_rows = lost | old | never
    quality = np.where(bad_rows, np.uint8(Quality.BAD), np.where(stale, np.uint8(Quality.STALE), quality))
    return Column(np.where(bad_rows, np.nan, values), quality, codes), np.where(never, steps, taken)


def written(at_ms: NDArray[np.int64], columns: Mapping[str, Column], reasons: Reasons) -> dict[str, Samples]:
    """Return columns as samples by name, each at the moment of its run."""
    found = {}
    for name, column in columns.items():
        plain = not column.reasons.any()
        texts = ("",) * at_ms.size if plain else tuple(reasons.texts[code] for code in column.reasons.tolist())
        found[name] = Samples(at_ms, column.values, column.quality, texts)
    return found
