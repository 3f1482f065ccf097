"""The past of some signals: the last two hours from the field process, what is older from the archive.

The archive is read in threads, two at a time; a slow question costs other pages nothing and polling never.
"""

from __future__ import annotations

import asyncio
from collections.abc import Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any, Final

import numpy as np

from plantview.channel.client import ChannelClient
from plantview.errors import HistoryError
from plantview.history import Archive, Samples
from plantview.model.signal import Signal
from plantview.web.answers import Problem
from plantview.web.field_asks import ask_field
from plantview.web.frame_view import FrameView
from plantview.web.trends_grid import Columns, columns, gap_between, joined, nothing, rows_of_samples

READERS: Final = 2
WAITING_MAX: Final = 24
RECENT_MS: Final = 2 * 3_600_000
"""What the field process holds in memory."""


@dataclass(slots=True)
class Past:
    """What was read of some signals, and what could not be read."""

    recent: dict[str, Samples] = field(default_factory=dict)
    """From the field process; complete from the first sample of a signal on."""
    live: bool = True
    """False when the field process did not answer; then the newest hours may be missing."""
    trouble: list[str] = field(default_factory=list)

    def older_until(self, name: str, to_ms: int) -> int:
        """Return where the part of a signal ends that the archive has to give."""
        samples = self.recent.get(name)
        return min(to_ms, int(samples.at_ms[0])) if samples is not None and len(samples.at_ms) else to_ms


class PastReader:
    """Reads for the pages and the API."""

    def __init__(self, view: FrameView, client: ChannelClient, data: Path | None) -> None:
        self._view, self._client, self._data = view, client, data
        self._readers = asyncio.Semaphore(READERS)
        self._waiting = 0

    async def reduced(
        self, signals: Sequence[Signal], from_ms: int, to_ms: int, width: int
    ) -> tuple[dict[str, Columns], Past]:
        """Return each signal over ``width`` columns."""
        past = await self._recent(signals, from_ms, to_ms)
        found = await self._threaded(_reduced, self._archive(), past, signals, from_ms, to_ms, width)
        return found, past

    async def samples(self, signals: Sequence[Signal], from_ms: int, to_ms: int) -> tuple[dict[str, Samples], Past]:
        """Return each signal's samples with ``from_ms <= at < to_ms``, as reported."""
        past = await self._recent(signals, from_ms, to_ms)
        found = await self._threaded(_whole, self._archive(), past, signals, from_ms, to_ms)
        return found, past

    def _archive(self) -> Archive | None:
        return Archive.of(self._view.plant, self._data) if self._data is not None else None

    async def _recent(self, signals: Sequence[Signal], from_ms: int, to_ms: int) -> Past:
        past = Past()
        since_ms = max(from_ms, self._view.now_ms() - RECENT_MS)
        if to_ms <= since_ms:
            return past
        for signal in signals:
            try:
                answer = await ask_field(
                    self._client, "range", {"point": signal.name, "from_ms": since_ms, "to_ms": to_ms}
                )
            except Problem as problem:
                if self._data is None or problem.status != 503:
                    raise
                past.live = False
                past.trouble.append(problem.detail)
                break
            past.recent[signal.name] = _samples(answer)
        return past

    async def _threaded(self, work: Any, archive: Archive | None, past: Past, *rest: Any) -> Any:  # noqa: ANN401
        if self._waiting >= WAITING_MAX:
            raise Problem(503, "too many questions about the past at once", "ask again in a moment")
        self._waiting += 1
        try:
            async with self._readers:
                return await asyncio.to_thread(work, archive, past, *rest)
        except HistoryError as error:
            raise Problem(503, f"the history cannot be read: {error}", "look at the health page") from error
        finally:
            self._waiting -= 1
            if archive is not None:
                past.trouble.extend(archive.trouble)


def _samples(answer: dict[str, Any]) -> Samples:
    values = np.array([np.nan if value is None else value for value in answer["values"]], np.float64)
    reasons = tuple(answer.get("reasons") or [""] * len(values))
    return Samples(np.array(answer["at_ms"], np.int64), values, np.array(answer["quality"], np.uint8), reasons)


def _reduced(
    archive: Archive | None, past: Past, signals: Sequence[Signal], from_ms: int, to_ms: int, width: int
) -> dict[str, Columns]:
    found = {}
    for signal in signals:
        older = nothing()
        until_ms = past.older_until(signal.name, to_ms)
        if archive is not None and until_ms > from_ms:
            # twice the columns: rows wider than a column would leave every second one empty
            share = max(1, round(2 * width * (until_ms - from_ms) / (to_ms - from_ms)))
            older = archive.reduced(signal.name, from_ms, until_ms, share)
        recent = rows_of_samples(past.recent.get(signal.name, Samples.none()), signal.period_s, to_ms)
        rows = joined([older, gap_between(older, recent, signal.period_s), recent])
        found[signal.name] = columns(rows, from_ms, to_ms, width, state=bool(signal.states))
    return found


def _whole(
    archive: Archive | None, past: Past, signals: Sequence[Signal], from_ms: int, to_ms: int
) -> dict[str, Samples]:
    found = {}
    for signal in signals:
        until_ms = past.older_until(signal.name, to_ms)
        parts = [past.recent.get(signal.name, Samples.none())]
        if archive is not None and until_ms > from_ms:
            parts.insert(0, archive.range(signal.name, from_ms, until_ms))
        found[signal.name] = Samples(
            np.concatenate([part.at_ms for part in parts]),
            np.concatenate([part.values for part in parts]),
            np.concatenate([part.quality for part in parts]),
            tuple(reason for part in parts for reason in part.reasons),
        )
    return found
