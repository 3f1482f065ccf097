"""A store on a folder, with or without a database behind it, and a clock that stands where the last batch was."""

from __future__ import annotations

from pathlib import Path

import numpy as np

from plantview.clock import ManualClock
from plantview.history import Archive, Samples, Store
from plantview.history.postgresql import Place
from plantview.history.room import Limits
from plantview.history.tables import Connection
from plantview.model.reading import Batch, Reading
from plantview.model.signal import Signal
from tests.history_rig import START_MS, batches

SMALL = Limits(reserve_bytes=0)
NAME = "CH-1.chws_temp"
FOREVER = 10**14


class Plant:
    """One plant's history and what fills it."""

    def __init__(
        self, folder: Path, signals: dict[str, Signal], limits: Limits = SMALL, place: Place | None = None
    ) -> None:
        self.clock = ManualClock(START_MS)
        self.signals, self.folder, self.place = signals, folder, place
        self.store = Store(folder, signals, self.clock, limits, place)

    def archive(self) -> Archive:
        return Archive(self.folder, self.place)

    def spans(self) -> dict[int, int]:
        """Return how many begins of chunks there are by length."""
        keeper = self.store.keeper
        db: Connection = keeper.sealer.file("2026-11").samples
        if keeper.forwarder is not None:
            db = keeper.forwarder._open().samples
        return dict(db.execute("SELECT span, count(DISTINCT t0) FROM chunk GROUP BY span").fetchall())

    def at(self, at_ms: int) -> None:
        self.clock._ms = float(at_ms)

    def run(self, from_ms: int, to_ms: int) -> None:
        for batch in batches(self.signals, from_ms, to_ms):
            self.at(batch.at_ms)
            self.store.take(batch)
        self.at(to_ms)
        self.store.flush()

    def take(self, *readings: Reading, name: str = NAME) -> None:
        for reading in readings:
            self.at(reading.at_ms)
            self.store.take(Batch(reading.at_ms, {name: reading}))
        self.store.flush()

    def again(self, signals: dict[str, Signal] | None = None) -> None:
        self.store.keeper.live.close()  # type: ignore[union-attr]
        self.store.keeper.sealer.close()
        if self.store.keeper.forwarder is not None:
            self.store.keeper.forwarder.close()
        self.store = Store(self.folder, signals or self.signals, self.clock, SMALL, self.place)


def same(found: Samples, expected: Samples) -> bool:
    return (
        found.at_ms.tolist() == expected.at_ms.tolist()
        and np.array_equal(found.values, expected.values, equal_nan=True)
        and found.quality.tolist() == expected.quality.tolist()
        and found.reasons == expected.reasons
    )
