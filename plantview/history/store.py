"""What every history can do; who reads and writes values knows only this."""

from __future__ import annotations

from typing import Protocol

from plantview.history.ring import Samples
from plantview.model.reading import Batch, Frame


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
