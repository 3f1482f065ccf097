"""Two hours of every signal in memory: one matrix [signal, slot] per poll period.

Values are kept as reported, bad ones as NaN with their quality and reason.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from typing import Final

import numpy as np
from numpy.typing import NDArray

from plantview.history.samples import Samples
from plantview.model.reading import Batch, Reading
from plantview.model.signal import Signal

DEPTH_S: Final = 7_200.0
SLOTS_MAX: Final = 7_200
END_MS: Final = 2**63 - 1
REASONS_MAX: Final = 4_000
"""Different reasons that are kept as text; a further one reads "other"."""


class _Group:
    """The signals that share a period."""

    def __init__(self, count: int, period_s: float) -> None:
        slots = min(SLOTS_MAX, max(16, math.ceil(DEPTH_S / period_s)))
        self.at_ms = np.zeros((count, slots), np.int64)
        self.values = np.full((count, slots), np.nan)
        self.quality = np.zeros((count, slots), np.uint8)
        self.reason = np.zeros((count, slots), np.uint16)
        self.filled = np.zeros(count, np.int64)
        self.slots = slots


class Ring:
    """The last two hours; a sample older than the newest of its signal is left to the store."""

    def __init__(self, signals: Mapping[str, Signal]) -> None:
        periods: dict[float, list[str]] = {}
        for signal in signals.values():
            periods.setdefault(signal.period_s, []).append(signal.name)
        self._place: dict[str, tuple[_Group, int]] = {}
        for period_s, names in periods.items():
            group = _Group(len(names), period_s)
            self._place.update({name: (group, row) for row, name in enumerate(names)})
        self._derived = frozenset(name for name, signal in signals.items() if signal.derived)
        self._reasons = ["", "other"]
        self._codes = {"": 0}

    def take(self, batch: Batch) -> None:
        """Append the readings of a batch."""
        for name, reading in batch.readings.items():
            place = self._place.get(name)
            if place is not None:
                # a derived value stands in a trend where it was worked out, not where its oldest input was read
                self._append(*place, batch.at_ms if name in self._derived else reading.at_ms, reading)

    def fill(self, name: str, samples: Samples) -> None:
        """Put samples before anything was taken, oldest first; as many of the newest as there is room for."""
        place = self._place.get(name)
        if place is None or not samples.at_ms.size:
            return
        group, row = place
        count = min(group.slots, samples.at_ms.size)
        group.at_ms[row, :count] = samples.at_ms[-count:]
        group.values[row, :count] = samples.values[-count:]
        group.quality[row, :count] = samples.quality[-count:]
        group.reason[row, :count] = [self._code(reason) for reason in samples.reasons[-count:]]
        group.filled[row] = count

    def merge(self, name: str, samples: Samples) -> None:
        """Put late samples in their place; what is older than all that is here stays with the store."""
        begins_ms = self.begins_ms(name)
        if begins_ms is None:
            return
        here, late = self.range(name, begins_ms, END_MS), samples.at_ms >= begins_ms
        reasons = (*here.reasons, *(reason for reason, is_late in zip(samples.reasons, late, strict=True) if is_late))
        at_ms = np.concatenate([here.at_ms, samples.at_ms[late]])
        order = np.argsort(at_ms, kind="stable")
        order = order[np.append(np.diff(at_ms[order]) > 0, True)]  # of two at one time the one that came later counts
        merged = Samples(
            at_ms[order],
            np.concatenate([here.values, samples.values[late]])[order],
            np.concatenate([here.quality, samples.quality[late]])[order],
            tuple(reasons[place] for place in order.tolist()),
        )
        self.fill(name, merged)

    def begins_ms(self, name: str) -> int | None:
        """Return the time of the oldest sample that is still here."""
        place = self._place.get(name)
        if place is None or not place[0].filled[place[1]]:
            return None
        group, row = place
        filled = int(group.filled[row])
        return int(group.at_ms[row, max(0, filled - group.slots) % group.slots])

    def _append(self, group: _Group, row: int, at_ms: int, reading: Reading) -> None:
        filled = int(group.filled[row])
        newest = (filled - 1) % group.slots
        if filled and at_ms < group.at_ms[row, newest]:
            return
        slot = newest if filled and at_ms == group.at_ms[row, newest] else filled % group.slots
        group.at_ms[row, slot] = at_ms
        group.values[row, slot] = math.nan if reading.value is None else reading.value
        group.quality[row, slot] = reading.quality
        group.reason[row, slot] = self._code(reading.reason)
        group.filled[row] = filled + (slot != newest or not filled)

    def _code(self, reason: str) -> int:
        code = self._codes.get(reason)
        if code is None:
            if len(self._reasons) >= REASONS_MAX:
                return 1
            code = self._codes[reason] = len(self._reasons)
            self._reasons.append(reason)
        return code

    def range(self, name: str, from_ms: int, to_ms: int) -> Samples:
        """Return the samples with ``from_ms <= at < to_ms``; none for an unknown name."""
        place = self._place.get(name)
        if place is None:
            return Samples.none()
        group, row = place
        filled = int(group.filled[row])
        order = np.arange(max(0, filled - group.slots), filled) % group.slots
        at_ms = group.at_ms[row, order]
        chosen = order[(at_ms >= from_ms) & (at_ms < to_ms)]
        return Samples(
            group.at_ms[row, chosen],
            group.values[row, chosen],
            group.quality[row, chosen],
            tuple(self._reasons[code] for code in group.reason[row, chosen]),
        )

    def table(self, names: Sequence[str], from_ms: int, to_ms: int) -> tuple[NDArray[np.int64], NDArray[np.float64]]:
        """Return times of shape (n,) and values of shape (len(names), n); NaN where a signal has no number at a time."""
        places = [self._place[name] for name in names if name in self._place]
        group = places[0][0] if places else None
        if group is not None and len(places) == len(names) and all(place[0] is group for place in places):
            found = _alike(group, [row for _, row in places], from_ms, to_ms)
            if found is not None:
                return found
        samples = [self.range(name, from_ms, to_ms) for name in names]
        at_ms = np.unique(np.concatenate([item.at_ms for item in samples])) if samples else np.empty(0, np.int64)
        values = np.full((len(names), at_ms.size), np.nan)
        for row, item in enumerate(samples):
            values[row, np.searchsorted(at_ms, item.at_ms)] = item.values
        return at_ms, values


def _alike(
    group: _Group, rows: list[int], from_ms: int, to_ms: int
) -> tuple[NDArray[np.int64], NDArray[np.float64]] | None:
    """Return the table of signals that were always read together; None if they were not."""
    filled = int(group.filled[rows[0]])
    if np.any(group.filled[rows] != filled):
        return None
    turn = filled % group.slots if filled > group.slots else 0
    order = group.at_ms[rows[0]][: min(filled, group.slots)]
    if turn:
        order = np.concatenate((order[turn:], order[:turn]))
    first, end = (int(at) + turn for at in np.searchsorted(order, (from_ms, to_ms)))
    parts = [slice(first, min(end, group.slots)), slice(max(0, first - group.slots), max(0, end - group.slots))]
    at_ms = np.concatenate([group.at_ms[rows, part] for part in parts], axis=1)
    if np.any(at_ms != at_ms[0]):
        return None
    return at_ms[0], np.concatenate([group.values[rows, part] for part in parts], axis=1)
