"""The threads that keep history: one writes every second, one seals, sums up and prunes.

Whatever the disk does, ``take`` returns at once and live monitoring goes on: readings wait
in memory within bounds, and the health page says what is wrong and what was lost.
"""

from __future__ import annotations

import contextlib
import sqlite3
import sys
import threading
from collections import deque
from collections.abc import Callable, Iterator, Mapping
from pathlib import Path
from typing import Any, Final

from plantview.clock import Clock, never, real_deadline, utc_text
from plantview.errors import HistoryError, StartRefused
from plantview.history.chunks import HOUR_MS
from plantview.history.forwarding import Forwarder
from plantview.history.live import FILE, LiveFile, by_point
from plantview.history.month import SAMPLES, SUMS, months_in
from plantview.history.postgresql import DatabaseTrouble, Place, library
from plantview.history.room import Limits, Room
from plantview.history.samples import Described, Report, Samples
from plantview.history.sealing import GRACE_MS, Sealer, is_damaged, is_full, named
from plantview.history.tables import TROUBLE, log
from plantview.history.versions import Versions
from plantview.model.reading import Batch

COMMIT_PERIOD_REAL_S: Final = 1.0
RETRY_REAL_S: Final = 5.0
LOOK_PERIOD_REAL_S: Final = 5.0
STOP_REAL_S: Final = 30.0
FORWARD_AT_END_REAL_S: Final = 3.0
"""What the database has not got by then is sent after the next start."""
SWITCH_REAL_S: Final = 0.001
"""While a day is gathered whoever has an answer from the disk or a device waits so long for the interpreter, not 5 ms."""
WAITING_MAX: Final = 500_000
"""Readings that wait in memory while the disk fails; the oldest go first and are counted."""
SAMPLES_PER_COMMIT: Final = 20_000
EVENTS_MAX: Final = 20

_MEANWHILE: Final = {
    "seal": f"what was read stays in {FILE} until it can, nothing is lost",
    "take these samples": "none of the failed part is stored",
    "prune": "it goes on growing",
    "reach the database": "what is sealed stays in the data folder, is shown from there, and is sent when it answers",
    "watch the disk": "its free room is unknown",
}


class Keeper:
    """Queue, live file and month files of one data folder; with a place, what is sealed goes on to its database."""

    def __init__(
        self, folder: Path, points: Mapping[str, Described], clock: Clock, limits: Limits, place: Place | None = None
    ) -> None:
        """Open what is there; StartRefused if a newer plantview wrote it, a disk that fails is health."""
        self.folder, self.clock, self.limits = folder, clock, limits
        self._points = points
        self._waiting: deque[Batch] = deque()
        self._waiting_count = 0
        self._queue_lock = threading.Lock()
        self._write_lock = threading.Lock()
        self._stop = threading.Event()
        self._threads: list[threading.Thread] = []
        self.live: LiveFile | None = None
        self.sealer = Sealer(folder, clock)
        self.room = Room(folder, self.sealer, clock, limits)
        self.forwarder: Forwarder | None = None
        if place is not None:
            library()
            self.forwarder = Forwarder(place, self.sealer, clock, limits)
        self.trouble: dict[str, str] = {}
        """What is wrong now, by act."""
        self.events: tuple[str, ...] = ()
        """What happened to history since the start, in the crew's words."""
        self.lost = self.written = self.commits = 0
        self._sealed_hour = -1
        self._versions = Versions(folder)
        self._measured: dict[str, Any] = {}
        try:
            folder.mkdir(parents=True, exist_ok=True)
            self._open()
        except TROUBLE as error:
            self._write_failed(error)

    def _open(self) -> LiveFile:
        if self.live is None:
            self.live = LiveFile(self.folder / FILE, self._points)
        return self.live

    # --- taking and writing -------------------------------------------------------------
    def take(self, batch: Batch) -> None:
        """Queue a batch; never waits for the disk."""
        with self._queue_lock:
            self._waiting.append(batch)
            self._waiting_count += len(batch.readings)
            while self._waiting_count > WAITING_MAX:
                dropped = len(self._waiting.popleft().readings)
                self._waiting_count -= dropped
                self.lost += dropped

    def flush(self) -> None:
        """Write what waits; HistoryError if the disk does not take it (then it goes on waiting)."""
        with self._write_lock:
            while batches := self._next():
                try:
                    self._append(batches)
                except TROUBLE as error:
                    self._give_back(batches)
                    self._write_failed(error)
                    raise HistoryError(self.trouble["write"]) from error
            self.trouble.pop("write", None)

    def _append(self, batches: list[Batch]) -> None:
        """Commit batches; on a full disk once more after making room."""
        try:
            self.written += self._open().append(batches)
        except TROUBLE as error:
            if not is_full(error) or not self._make_room():
                raise
            self._reopen()
            self.written += self._open().append(batches)
        self.commits += 1

    def _next(self) -> list[Batch]:
        batches: list[Batch] = []
        with self._queue_lock:
            size = 0
            while self._waiting and size < SAMPLES_PER_COMMIT:
                batches.append(self._waiting.popleft())
                size += len(batches[-1].readings)
            self._waiting_count -= size
        return batches

    def _give_back(self, batches: list[Batch]) -> None:
        with self._queue_lock:
            self._waiting.extendleft(reversed(batches))
            self._waiting_count += sum(len(batch.readings) for batch in batches)

    def _make_room(self) -> bool:
        with contextlib.suppress(*TROUBLE):
            given = self.room.emergency()
            if given:
                log.error("%s", given)
                self._note(given)
            return bool(given)
        return False

    def _write_failed(self, error: Exception) -> None:
        text = f"history is not written ({named(error)}); readings wait in memory and live monitoring goes on"
        if self.trouble.get("write") != text:
            log.error("%s", text)
        self.trouble["write"] = text
        self._reopen()
        if is_damaged(error):
            self._set_aside(FILE)

    def _reopen(self) -> None:
        """Close the live file; the next act opens it again."""
        if self.live is not None:
            self.live.close()
            self.live = None

    def _set_aside(self, *names: str) -> None:
        """Rename damaged files, so that they can be looked at and a sound one takes their place."""
        for name in names:
            for path in self.folder.glob(f"{name}*"):
                if ".damaged-" in path.name or path.name.removeprefix(name) not in {"", "-wal", "-shm"}:
                    continue
                with contextlib.suppress(OSError):
                    path.rename(self.folder / f"{path.name}.damaged-{self.clock.now_ms()}")
            self._note(f"{name} was damaged and is set aside in {self.folder}; a new one was begun")

    # --- sealing, summing up, pruning ---------------------------------------------------
    def seal(self, *, everything: bool = False) -> dict[str, int]:
        """Move finished hours (or everything) into month files and sum up finished days."""
        with self._maintaining("seal"):
            samples = self.sealer.seal(self._open(), everything=everything)
            # with a database it is there that days are gathered and summed up
            days = self.sealer.sum_up() if self.forwarder is None else 0
            return {"samples": samples, "days": days}

    def forward(self, enough: Callable[[], bool] = never) -> int:
        """Send what is sealed to the database, sum up and prune there; return how many days were summed up."""
        if self.forwarder is None:
            return 0
        with self.forwarder.lock, self._maintaining("reach the database"):
            self.forwarder.forward(enough)
            days = self.forwarder.sum_up(self._stop if self._threads else None)
            self.forwarder.prune(self.limits.keep_days, self.limits.max_bytes)
        return days

    @contextlib.contextmanager
    def _maintaining(self, act: str) -> Iterator[None]:
        """Turn what disk and database raise into health and a HistoryError."""
        try:
            yield
        except (*TROUBLE, StartRefused) as error:
            text = f"history cannot {act} ({named(error)}); {_MEANWHILE[act]}"
            if self.trouble.get(act) != text:
                log.error("%s", text)
            self.trouble[act] = text
            self._recover(error)
            raise HistoryError(text) from error
        self.trouble.pop(act, None)

    def _recover(self, error: Exception) -> None:
        """Begin with fresh connections next time; what is damaged stands aside then, and a full disk has room."""
        if self.forwarder is not None:
            self.forwarder.close()
        if isinstance(error, DatabaseTrouble):
            return
        month = self.sealer.month
        self.sealer.close()
        if is_damaged(error) and month:
            self._set_aside(month + SAMPLES, month + SUMS)
        elif is_full(error):
            self._make_room()

    def backfill(self, samples: Mapping[str, tuple[Described, Samples]]) -> Report:
        """Merge samples of any age; durable when it returns."""
        with self._maintaining("take these samples"):
            return self.sealer.backfill(samples, self.forwarder.pruned if self.forwarder is not None else None)

    def prune(self, keep_days: float, max_bytes: int) -> Report:
        """Unlink what is too old or too much."""
        with self._maintaining("prune"):
            report = self.room.prune(keep_days, max_bytes)
        if report.counts["months"] or report.counts["days"]:
            log.info("history pruned: %s", dict(report.counts))
            if self.forwarder is not None:
                self._note("the data folder was full: its oldest samples were given up before the database had them")
        return report

    def prune_central(self, keep_days: float, max_bytes: int) -> int:
        """Drop what is too old or too much in the database; return how many months."""
        if self.forwarder is None:
            return 0
        with self.forwarder.lock, self._maintaining("reach the database"):
            return self.forwarder.prune(keep_days, max_bytes)

    def look(self) -> None:
        """Seal if an hour ended, then prune; watch the room on the disk."""
        hour = (self.clock.now_ms() - GRACE_MS) // HOUR_MS
        if hour != self._sealed_hour:
            self.seal()
            self._sealed_hour = hour
            self.prune(self.limits.keep_days, self.limits.max_bytes)
        with self._maintaining("watch the disk"):
            self.room.keep_reserve()
            free = self.room.free_pct()
            if free < self.limits.headroom_pct:
                self.trouble["room"] = f"the disk of {self.folder} is {100 - free:.0f} % full"
            else:
                self.trouble.pop("room", None)
        self._measure()

    # --- threads ------------------------------------------------------------------------
    def start(self) -> None:
        """Begin to write, seal and prune in threads."""
        sys.setswitchinterval(SWITCH_REAL_S)
        works: list[tuple[str, Callable[[], object], float]] = [
            ("history-write", self.flush, COMMIT_PERIOD_REAL_S),
            ("history-seal", self.look, LOOK_PERIOD_REAL_S),
        ]
        if self.forwarder is not None:
            works.append(("history-forward", self.forward, LOOK_PERIOD_REAL_S))
        for name, work, period in works:
            thread = threading.Thread(target=self._run, args=(work, period), name=name, daemon=True)
            self._threads.append(thread)
            thread.start()

    def _run(self, work: Callable[[], object], period: float) -> None:
        wait = 0.0 if work == self.look else period
        while not self._stop.wait(wait):
            try:
                work()
                wait = period
            except HistoryError:
                wait = max(period, RETRY_REAL_S)  # said on the health page already

    def close(self) -> None:
        """Stop the threads, write and seal what is there, close the files."""
        self._stop.set()
        for thread in self._threads:
            thread.join(STOP_REAL_S)
        with contextlib.suppress(HistoryError):
            self.flush()
            self.seal(everything=True)
            self.forward(real_deadline(FORWARD_AT_END_REAL_S))
        if self.forwarder is not None:
            self.forwarder.close()
        self._reopen()
        self.sealer.close()

    def health(self) -> str:
        """Return what is wrong, in sentences; empty if nothing is."""
        dead = [thread.name for thread in self._threads if not thread.is_alive() and not self._stop.is_set()]
        stopped = [f"{name} has stopped; restart plantview" for name in dead]
        lost = [f"{self.lost} readings were lost while the disk failed"] if self.lost else []
        return "; ".join([*self.trouble.values(), *self._versions.refused(), *stopped, *lost, *self.events])

    def unsealed(self) -> dict[str, Samples]:
        """Return what the live file holds, by name, as far as it is described as it is today."""
        if self.live is None:
            return {}
        names = self.live.names
        try:
            hots = [hot for _, part in self.live.parts() for hot in part]
        except TROUBLE as error:
            self._write_failed(error)
            return {}
        today = {pid: item.name for pid, item in names.points.items() if item == self._points.get(item.name)}
        return {today[pid]: column.samples(names.reasons) for pid, column in by_point(hots).items() if pid in today}

    def stats(self) -> dict[str, Any]:
        """Return sizes and counts, at most some seconds old; never waits for the disk while threads run."""
        if not self._threads:
            self._measure()
        now = {"waiting": self._waiting_count, "written": self.written, "commits": self.commits, "lost": self.lost}
        return {**self._measured, **now}

    def _measure(self) -> None:
        rows, low, high = (0, 0, 0)
        size, free, logs, months = 0, 0.0, 0, list[str]()
        self._versions.look()
        with contextlib.suppress(*TROUBLE):
            months = months_in(self.folder)
            logs = sum(path.stat().st_size for path in self.folder.glob("*-wal"))
            rows, low, high = self.live.extent() if self.live is not None else (0, 0, 0)
            size, free = self.room.bytes(), self.room.free_pct()
        self._measured = {
            "sqlite": sqlite3.sqlite_version,
            "bytes": size,
            "bytes_max": self.limits.max_bytes,
            "keep_days": self.limits.keep_days,
            "keep_sums_days": self.limits.keep_sums_days,
            "disk_free_pct": round(free, 1),
            "log_bytes": logs,
            "months": months,
            "unsealed_commits": rows,
            "unsealed_from_ms": low,
            "unsealed_to_ms": high,
            "database": self.forwarder.stats() if self.forwarder is not None else None,
        }

    def _note(self, text: str) -> None:
        self.events = (*self.events, text)[-EVENTS_MAX:]

    def clock_was_set(self, by_ms: float) -> None:
        """Note that the computer's clock jumped."""
        text = f"the clock was set by {by_ms / 1_000:+.0f} s at {utc_text(self.clock.now_ms())}"
        log.warning("%s", text)
        self._note(text)
