"""What pages may ask about a past moment: what was read, worked out, judged and in alarm then.

Worked out from history beside the present, one question at a time and in a thread, so that polling never waits.
Derived values are those that were stored; where none were (an imported log) they are worked out from the readings.
"""

from __future__ import annotations

import asyncio
from collections.abc import Awaitable, Callable, Mapping, Sequence
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

from plantview.channel.messages import AskRefused
from plantview.clock import Clock
from plantview.derive import Derivation
from plantview.derive.conditions import conditions
from plantview.derive.flows import flows
from plantview.errors import HistoryError
from plantview.history import NOT_READ, Archive, Samples
from plantview.importing.replay import PROBE_MS, moments
from plantview.model.columns import Column, Reasons
from plantview.model.plant import Plant
from plantview.model.quality import Quality
from plantview.model.reading import Frame, Reading
from plantview.model.signal import Signal
from plantview.service.messages import Rows, changed, view
from plantview.service.past_alarms import AlarmsThen

FRAMES_MAX: Final = 60
ROWS_MAX: Final = 40_000
"""Readings in one answer; a large plant gets fewer moments at a time."""
STEP_S_MAX: Final = 3_600
WAITING_MAX: Final = 8
SPAN_MS_MAX: Final = 92 * 86_400_000
EDGE_SIGNALS: Final = 20
"""Signals that are looked at for where the recent past begins and ends."""

Body = dict[str, Any]
Recent = Callable[[Sequence[str], int, int], Mapping[str, Samples]]
"""(names, from, to) -> what is in memory and may not be in the archive yet."""


class PastAsks:
    """Answers of the field process about the past."""

    def __init__(
        self,
        plant: Plant,
        signals: Mapping[str, Signal],
        derivation: Derivation,
        archive: Archive,
        recent: Recent,
        then: AlarmsThen,
        clock: Clock,
    ) -> None:
        self._plant, self._signals, self._derivation = plant, tuple(signals.values()), derivation
        self._archive, self._recent, self._then, self._clock = archive, recent, then, clock
        self._one = asyncio.Lock()
        self._waiting = 0

    def answers(self) -> dict[str, Callable[[Body], Awaitable[Body]]]:
        """Return the questions with their answers."""
        return {"past": self.past, "past_moments": self.moments}

    async def past(self, body: Body) -> Body:
        """Return the frames from ``at_ms`` on, ``count`` of them ``step_s`` apart: the first whole, then changes."""
        first = _whole(body, "at_ms", 0, 2**53)
        step_ms = 1_000 * _whole(body, "step_s", 1, STEP_S_MAX)
        count = _whole(body, "count", 1, FRAMES_MAX)
        count = max(1, min(count, ROWS_MAX // max(1, len(self._signals))))
        newest = self._clock.now_ms()
        at_ms = np.arange(first, first + count * step_ms, step_ms, dtype=np.int64)
        at_ms = at_ms[at_ms <= newest]
        if not at_ms.size:
            raise AskRefused("that moment has not come yet", "not_yet")
        names = [signal.name for signal in self._signals]
        recent = self._recent(names, first - PROBE_MS, int(at_ms[-1]) + 1)
        frames = await self._alone(self._frames, at_ms, recent)
        return {"step_ms": step_ms, "now_ms": newest, "frames": frames, "trouble": list(self._archive.trouble)[:5]}

    async def moments(self, body: Body) -> Body:
        """Return where history begins and ends, and the calls to the crew of a period."""
        to_ms = _whole(body, "to_ms", 0, 2**53)
        from_ms = max(_whole(body, "from_ms", 0, 2**53), to_ms - SPAN_MS_MAX)
        some = [signal.name for signal in self._signals[:EDGE_SIGNALS]]
        extent = await self._alone(self._extent, self._recent(some, 0, 2**53))
        calls = await self._alone(self._then.calls, from_ms, to_ms)
        return {"extent": extent, "now_ms": self._clock.now_ms(), "calls": calls}

    async def _alone(self, work: Callable[..., Any], *given: Any) -> Any:  # noqa: ANN401
        if self._waiting >= WAITING_MAX:
            raise AskRefused("too many questions about the past at once; ask again in a moment", "busy")
        self._waiting += 1
        try:
            async with self._one:
                return await asyncio.to_thread(work, *given)
        except HistoryError as error:
            raise AskRefused(f"the history cannot be read: {error}", "history") from error
        finally:
            self._waiting -= 1

    def _extent(self, recent: Mapping[str, Samples]) -> list[int] | None:
        ends = [*(self._archive.extent() or ())]
        ends += [int(each.at_ms[place]) for each in recent.values() if each.at_ms.size for place in (0, -1)]
        return [min(ends), max(ends)] if ends else None

    def _frames(self, at_ms: NDArray[np.int64], recent: Mapping[str, Samples]) -> list[Body]:
        reasons = Reasons()

        def read_all(names: Sequence[str], from_ms: int, to_ms: int) -> Mapping[str, Samples]:
            tails = {name: _between(recent[name], from_ms, to_ms) for name in names if name in recent}
            return self._archive.ranges(names, from_ms, to_ms, tails=tails)

        columns, taken = moments(self._signals, read_all, at_ms, reasons)
        columns |= self._worked_out(at_ms, columns, reasons)
        alarms = self._then.at(at_ms.tolist())
        before, found = dict[str, Rows](), list[Body]()
        for row, at in enumerate(at_ms.tolist()):
            frame = Frame(row, at, dict(self._readings(columns, taken, row, at, reasons)))
            judged = conditions(self._plant, frame, self._then.tripped(alarms[row]))
            rows = view(frame, judged, flows(self._plant, frame, judged))
            told: Body = {"at_ms": at, **(changed(rows, before) if before else rows)}
            if not row or alarms[row] != alarms[row - 1]:
                told["alarms"] = alarms[row]
            found.append(told)
            before = rows
        return found

    def _readings(
        self,
        columns: Mapping[str, Column],
        taken: Mapping[str, NDArray[np.int64]],
        row: int,
        at_ms: int,
        reasons: Reasons,
    ) -> Mapping[str, Reading]:
        never = Reading(None, Quality.BAD, NOT_READ, at_ms)
        return {
            signal.name: columns[signal.name].reading(
                row, int(taken[signal.name][row]) if signal.name in taken else at_ms, reasons
            )
            if signal.name in columns
            else never
            for signal in self._signals
        }

    def _worked_out(
        self, at_ms: NDArray[np.int64], columns: Mapping[str, Column], reasons: Reasons
    ) -> dict[str, Column]:
        """Return derived values that were not stored then."""
        # balances are worked out over quarters of an hour, not from single moments
        known = columns.keys() | self._derivation.reconciliation.signals.keys()
        missing = [name for name in self._derivation.signals if name not in known]
        if not missing or not any(name in self._plant.points for name in columns):
            return {}
        unread = Column.same(at_ms.size, np.nan, Quality.BAD, reasons.code(NOT_READ))
        measured = {name: columns.get(name, unread) for name in self._plant.points}
        worked = self._derivation.sweep().run(at_ms, measured, reasons)
        return {name: worked[name] for name in missing if name in worked}


def _between(samples: Samples, from_ms: int, to_ms: int) -> Samples:
    low, high = np.searchsorted(samples.at_ms, (from_ms, to_ms)).tolist()
    return Samples(
        samples.at_ms[low:high], samples.values[low:high], samples.quality[low:high], samples.reasons[low:high]
    )


def _whole(body: Body, name: str, low: int, high: int) -> int:
    value = body.get(name)
    if not isinstance(value, int) or isinstance(value, bool) or not low <= value <= high:
        raise AskRefused(f"'{name}' must be a whole number from {low} to {high}", "asked")
    return value
