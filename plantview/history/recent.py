"""The history that lives in memory: the latest reading of everything and two hours behind it."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

import numpy as np
from numpy.typing import NDArray

from plantview.clock import Clock
from plantview.history.latest import Latest
from plantview.history.ring import Ring
from plantview.history.samples import Samples
from plantview.model.reading import Batch, Frame
from plantview.model.signal import Signal


class Recent:
    """Latest and ring behind the one history interface."""

    def __init__(self, signals: Mapping[str, Signal], clock: Clock) -> None:
        self._latest = Latest(signals, clock)
        self._ring = Ring(signals)

    def take(self, batch: Batch) -> None:
        """Keep the outcome of an exchange."""
        self._latest.take(batch)
        self._ring.take(batch)

    def frame(self) -> Frame:
        """Return all current readings, aged to this moment."""
        return self._latest.frame()

    def table(self, names: Sequence[str], from_ms: int, to_ms: int) -> tuple[NDArray[np.int64], NDArray[np.float64]]:
        """Return times of shape (n,) and values of shape (len(names), n); NaN where there is no number."""
        return self._ring.table(names, from_ms, to_ms)

    def range(self, name: str, from_ms: int, to_ms: int) -> Samples:
        """Return the samples of one signal with ``from_ms <= at < to_ms``."""
        return self._ring.range(name, from_ms, to_ms)
