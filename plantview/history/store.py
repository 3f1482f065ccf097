"""What every history can do, and the one that keeps it on disk."""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path
from typing import Any, Protocol

from plantview.clock import Clock
from plantview.history.recent import Recent
from plantview.history.samples import Report, Samples
from plantview.model.reading import Batch, Frame
from plantview.model.signal import Signal


class History(Protocol):
    """Takes batches, gives back the present and the past."""

    def take(self, batch: Batch) -> None:
        """Keep the outcome of an exchange; when it returns, ``frame`` and ``range`` show it."""
        ...

    def frame(self) -> Frame:
        """Return all current readings, aged to this moment."""
        ...

    def range(self, name: str, from_ms: int, to_ms: int) -> Samples:
        """Return the samples of one signal with ``from_ms <= at < to_ms``, oldest first."""
        ...


class Store(Recent):
    """Recent readings in memory, and everything behind them in the data folder.

    Without ``start`` nothing runs by itself: ``take`` collects, ``flush`` makes durable, ``seal``
    moves finished hours into month files. ``start`` runs these in threads until ``close``.
    """

    def __init__(self, data: Path, signals: Mapping[str, Signal], clock: Clock) -> None:
        super().__init__(signals, clock)
        self.data = data

    def start(self) -> None:
        """Write every second, seal every hour, compact and prune, each in threads of its own."""
        raise NotImplementedError

    def close(self) -> None:
        """Stop the threads, write and seal what is there, and close the files."""
        raise NotImplementedError

    def flush(self) -> None:
        """Make everything taken so far durable; HistoryError if the disk does not take it."""
        raise NotImplementedError

    def seal(self, *, everything: bool = False) -> Report:
        """Move finished hours (or everything) from ``live.db`` into month files and sum up finished days."""
        raise NotImplementedError

    def backfill(self, samples: Mapping[str, Samples]) -> Report:
        """Merge samples by name and time, later ones win; durable when it returns."""
        raise NotImplementedError

    def prune(self, *, keep_days: float | None = None, max_bytes: int | None = None) -> Report:
        """Unlink the oldest months beyond an age or a total size."""
        raise NotImplementedError

    def check(self) -> Report:
        """Verify every file and every checksum."""
        raise NotImplementedError

    def stats(self) -> dict[str, Any]:
        """Return sizes, counts and what is wrong, for the health page."""
        raise NotImplementedError
