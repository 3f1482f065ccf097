"""What every history can do, and the one that keeps it in the data folder."""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path
from typing import Any, Final, Protocol

from plantview.clock import Clock
from plantview.history.keeper import Keeper
from plantview.history.postgresql import Place
from plantview.history.reader import FOLDER, Archive, place_of
from plantview.history.reading import FAR_MS
from plantview.history.recent import Recent
from plantview.history.ring import DEPTH_S
from plantview.history.room import Limits, limits_of
from plantview.history.samples import Described, Report, Samples
from plantview.model.plant import Plant
from plantview.model.reading import Batch, Frame
from plantview.model.signal import Signal

JUMP_MS: Final = 10_000.0
"""Two polls of the usual period: a clock that jumps further was set."""


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
    Only one process may have a store on a folder; the service holds the folder's lock.
    """

    def __init__(
        self,
        data: Path,
        signals: Mapping[str, Signal],
        clock: Clock,
        limits: Limits | None = None,
        place: Place | None = None,
    ) -> None:
        """Open the folder; StartRefused if a newer plantview wrote it, a disk that fails is health.

        With a ``place`` sealed history goes on to that database and is read from there; the folder
        keeps what the database has not acknowledged.
        """
        super().__init__(signals, clock)
        self.data = data
        self.points = {name: Described.of(signal) for name, signal in signals.items()}
        self.keeper = Keeper(data / FOLDER, self.points, clock, limits or Limits(), place)
        self._clock = clock
        self._archive = Archive(data, place, owner=True)
        self._expected: tuple[int, float] | None = None

    @classmethod
    def of(cls, plant: Plant, data: Path, signals: Mapping[str, Signal], clock: Clock) -> Store:
        """Open the history of a plant as its description says."""
        return cls(data, signals, clock, limits_of(plant.keeping), place_of(plant))

    def take(self, batch: Batch) -> None:
        """Keep the outcome of an exchange: at once in memory, within a second or two on disk."""
        super().take(batch)
        self._watch_clock()
        self.keeper.take(batch)

    def _watch_clock(self) -> None:
        now_ms, ran_s = self._clock.now_ms(), self._clock.monotonic_s()
        if self._expected is not None:
            by_ms = now_ms - self._expected[0] - (ran_s - self._expected[1]) * 1_000
            if abs(by_ms) > JUMP_MS * max(1.0, self._clock.speed):
                self.keeper.clock_was_set(by_ms)
        self._expected = now_ms, ran_s

    def start(self) -> None:
        """Read the last two hours into memory, then write every second, seal and prune in threads."""
        self.recall()
        self.keeper.start()

    def recall(self) -> None:
        """Fill the memory with what the folder holds of the last two hours."""
        from_ms = self._clock.now_ms() - round(DEPTH_S * 1_000)
        unsealed = self.keeper.unsealed()
        for name, samples in self._archive.ranges(list(self.points), from_ms, FAR_MS, tails=unsealed).items():
            self._ring.fill(name, samples)

    def close(self) -> None:
        """Stop the threads, write and seal what is there, and close the files."""
        self.keeper.close()

    def flush(self) -> None:
        """Make everything taken so far durable; HistoryError if the disk does not take it."""
        self.keeper.flush()

    def seal(self, *, everything: bool = False) -> Report:
        """Move finished hours (or everything) from ``live.db`` into month files and sum up finished days."""
        counts = self.keeper.seal(everything=everything)
        return Report({**counts, "days": counts["days"] + self.keeper.forward()})

    def recent(self, name: str, from_ms: int, to_ms: int) -> Samples:
        """Return the samples of the last two hours only, without looking at the disk."""
        return super().range(name, from_ms, to_ms)

    def range(self, name: str, from_ms: int, to_ms: int) -> Samples:
        """Return the samples with ``from_ms <= at < to_ms``: from memory, and what is older from the folder.

        Reads files if it must, so not for the event loop.
        """
        recent = self.recent(name, from_ms, to_ms)
        begins = self._ring.begins_ms(name)
        if begins is not None and from_ms >= begins:
            return recent
        return self._archive.ranges([name], from_ms, to_ms, tails={name: recent})[name]

    def backfill(self, samples: Mapping[str, Samples]) -> Report:
        """Merge samples by name and time, later ones win; durable when it returns."""
        known = {name: (self.points[name], given) for name, given in samples.items() if name in self.points}
        unknown = [name for name in samples if name not in self.points]
        report = self.keeper.backfill(known)
        refused = sum(samples[name].at_ms.size for name in unknown)
        problems = [f"{name}: no such point in this plant" for name in unknown]
        counts = {**report.counts, "refused": report.counts["refused"] + refused}
        return Report(counts, (*problems, *report.problems))

    def remember(self, samples: Mapping[str, Samples]) -> None:
        """Show backfilled samples among the recent ones too; to be called where ``take`` is."""
        for name, late in samples.items():
            self._ring.merge(name, late)

    def prune(self, *, keep_days: float | None = None, max_bytes: int | None = None) -> Report:
        """Unlink the oldest months beyond an age or a total size; in a database, drop their partitions."""
        limits = self.keeper.limits
        days = limits.keep_days if keep_days is None else keep_days
        size = limits.max_bytes if max_bytes is None else max_bytes
        report = self.keeper.prune(days, size)
        if self.keeper.forwarder is None:
            return report
        return Report({**report.counts, "months": report.counts["months"] + self.keeper.prune_central(days, size)})

    def check(self) -> Report:
        """Verify every file and every checksum."""
        return self._archive.check()

    def health(self) -> str:
        """Return what is wrong with the written history; empty if nothing is."""
        return self.keeper.health()

    def stats(self) -> dict[str, Any]:
        """Return sizes and counts, for the health page."""
        return self.keeper.stats()
