"""Room on the disk: how much history takes, what is pruned first, and a reserve for when the disk is full."""

from __future__ import annotations

import contextlib
import os
import shutil
from dataclasses import dataclass
from pathlib import Path
from typing import Final

from plantview.clock import Clock
from plantview.history.chunks import DAY_MS, drop_unused_times, transaction
from plantview.history.month import SAMPLES, SUMS, month_of, months_in, remove
from plantview.history.samples import Report
from plantview.history.sealing import Sealer
from plantview.history.tables import log
from plantview.model.keeping import Keeping

RESERVE_FILE: Final = "reserve.bin"

DAY_SHARE: Final = 1.6
LOG_INDEXES: Final = 100_000


@dataclass(frozen=True, slots=True)
class Limits:
    """How much history may take."""

    keep_days: float = 730.0
    """Samples; older months are unlinked."""
    keep_sums_days: float = 3_660.0
    """Summaries of 5 minutes and an hour."""
    max_bytes: int = 20_000_000_000
    reserve_bytes: int = 64_000_000
    """Taken only from a disk that has twenty times as much free."""
    headroom_pct: float = 15.0
    """Below this much free disk the health page warns."""


def limits_of(keeping: Keeping) -> Limits:
    """Return the limits that a plant description sets."""
    return Limits(
        keep_days=keeping.keep_days, keep_sums_days=keeping.keep_sums_days, max_bytes=round(keeping.max_gb * 1e9)
    )


class Room:
    """The folder's size, and the order in which it is made smaller."""

    def __init__(self, folder: Path, sealer: Sealer, clock: Clock, limits: Limits) -> None:
        self.folder, self._sealer, self._clock, self.limits = folder, sealer, clock, limits

    def bytes(self) -> int:
        """Return the size of all files but the reserve."""
        return sum(_size(path) for path in self.folder.iterdir() if path.name != RESERVE_FILE)

    def free_pct(self) -> float:
        """Return the free share of the disk."""
        usage = shutil.disk_usage(self.folder)
        return 100.0 * usage.free / usage.total if usage.total else 0.0

    def keep_reserve(self) -> bool:
        """Take the reserve if the disk has plenty of room; return whether it is there."""
        path = self.folder / RESERVE_FILE
        if path.exists():
            return True
        if not self.limits.reserve_bytes or shutil.disk_usage(self.folder).free < 20 * self.limits.reserve_bytes:
            return False
        with path.open("wb") as file:
            os.posix_fallocate(file.fileno(), 0, self.limits.reserve_bytes)
        return True

    def emergency(self) -> str:
        """Make room on a full disk; return what was given up, empty if nothing is left to give."""
        months = months_in(self.folder)
        if len(months) > 1:
            freed = self._unlink(months[0], SAMPLES)
            return f"the disk is full: the samples of {months[0]} were given up ({freed / 1e6:.0f} MB)"
        with contextlib.suppress(FileNotFoundError):
            (self.folder / RESERVE_FILE).unlink()
            return "the disk is full: the last reserve is in use"
        return ""

    def prune(self, keep_days: float, max_bytes: int) -> Report:
        """Unlink what is too old, then the oldest until the size fits; the newest month loses days instead."""
        before, months, days = self.bytes(), 0, 0
        with self._sealer.lock:
            for ending, keep in ((SAMPLES, keep_days), (SUMS, max(keep_days, self.limits.keep_sums_days))):
                oldest = month_of(self._clock.now_ms() - round(keep * DAY_MS))
                for month in months_in(self.folder, ending):
                    if month < oldest:
                        self._unlink(month, ending)
                        months += 1
            while self.bytes() > max_bytes and self._unlink_oldest():
                months += 1
            while self._used() + self._next_day() > max_bytes and self._drop_oldest_day():
                days += 1
            if days and self.bytes() > max_bytes:
                self._give_back(self.bytes() - max_bytes)
        return Report({"months": months, "days": days, "bytes": max(0, before - self.bytes())})

    def _unlink(self, month: str, ending: str) -> int:
        self._sealer.forget(month)
        log.warning("history: %s%s is pruned", month, ending)
        return remove([self.folder / f"{month}{ending}"])

    def _unlink_oldest(self) -> bool:
        """Unlink the oldest month's samples; summaries only when no other samples are left."""
        for ending in (SAMPLES, SUMS):
            months = months_in(self.folder, ending)
            if len(months) > 1:
                self._unlink(months[0], ending)
                return True
        return False

    def _used(self) -> int:
        """Return the size without the pages of the newest month that are free to be used again."""
        months = months_in(self.folder)
        if not months:
            return self.bytes()
        db = self._sealer.file(months[-1]).samples
        free, size = (db.execute(f"PRAGMA {name}").fetchone()[0] for name in ("freelist_count", "page_size"))
        return self.bytes() - int(free * size)

    def _give_back(self, size: int) -> None:
        """Cut free pages off the newest month, as many as make up a size."""
        file = self._sealer.file(months_in(self.folder)[-1])
        page = int(file.samples.execute("PRAGMA page_size").fetchone()[0])
        # through execute it would free one page only
        file.samples.executescript(f"PRAGMA incremental_vacuum({-(-size // page)})")
        file.shorten_logs()

    def _next_day(self) -> int:
        """Return the room that gathering the next day takes for a while: itself, its summaries, the logs' indexes."""
        months = months_in(self.folder)
        row = (
            months
            and self._sealer.file(months[-1])
            .samples.execute(
                "SELECT sum(length(b)) FROM chunk WHERE span = ? GROUP BY t0 ORDER BY t0 DESC LIMIT 1", (DAY_MS,)
            )
            .fetchone()
        )
        return round(DAY_SHARE * row[0]) + LOG_INDEXES if row else 0

    def _days(self, month: str) -> list[int]:
        rows = self._sealer.file(month).samples.execute(
            "SELECT DISTINCT t0 FROM chunk WHERE span = ? ORDER BY t0", (DAY_MS,)
        )
        return [row[0] for row in rows.fetchall()]

    def _drop_oldest_day(self) -> bool:
        """Forget the samples of the newest month's oldest finished day; its summary stays."""
        months = months_in(self.folder)
        days = self._days(months[-1]) if months else []
        if len(days) < 2:
            return False
        file = self._sealer.file(months[-1])
        with transaction(file.samples):
            file.samples.execute("DELETE FROM chunk WHERE t0 >= ? AND t0 < ?", (days[0], days[0] + DAY_MS))
            file.samples.execute("DELETE FROM unsummed WHERE day = ?", (days[0],))
            drop_unused_times(file.samples, [days[0]])
        file.shorten_logs()
        return True


def _size(path: Path) -> int:
    with contextlib.suppress(OSError):
        return path.stat().st_size
    return 0
