"""What start-up day noted, as answers: the same for a plant that is watched and for one that is only looked back at."""

from __future__ import annotations

import asyncio
from collections.abc import Awaitable, Callable
from dataclasses import dataclass
from itertools import pairwise
from typing import Any, Final

from plantview.channel.messages import AskRefused
from plantview.clock import Clock
from plantview.model.reading import Frame
from plantview.startup import Captures, Checkout, Memory, Starts, Waiting
from plantview.startup.memory import Wanted

EVENT_ROWS_MAX: Final = 500

Body = dict[str, Any]


@dataclass(frozen=True, slots=True)
class StartupTold:
    """Answers questions; does nothing."""

    clock: Clock
    memory: Memory
    waiting: Waiting
    starts: Starts
    checkout: Checkout
    captures: Captures
    frame: Callable[[], Frame]
    """The readings that the checkout sheet shows."""

    def answers(self) -> dict[str, Callable[[Body], Awaitable[Body]]]:
        """Return the questions with their answers."""
        return {
            "startup_events": self._events,
            "startup_checkout": self._checkout,
            "startup_captures": self._all_captures,
            "startup_capture": self._capture,
            "startup_report": self._report,
        }

    def recall(self) -> None:
        """Take back what an earlier run of this program noted; reads the disk."""
        for part in (self.waiting, self.starts, self.checkout):
            part.recall()

    async def _events(self, body: Body) -> Body:
        """Return lines of the sequence of events, newest first, each with the time since the line before it."""
        before = body.get("before")
        limit = min(int(body.get("limit", 200)), EVENT_ROWS_MAX)
        wanted = Wanted(
            tuple(map(str, body.get("equipment", ()))),
            tuple(map(str, body.get("kinds", ()))),
            int(body.get("from_ms", 0)),
            int(body.get("to_ms", 2**62)),
            (int(before[0]), int(before[1])) if before else None,
            limit + 1,
        )
        rows = await asyncio.to_thread(self.memory.events, wanted)
        for row, earlier in pairwise(rows):
            row["since_previous_ms"] = row["at_ms"] - earlier["at_ms"]
        return {"now_ms": self.clock.now_ms(), "rows": rows[:limit], "more": len(rows) > limit}

    async def _checkout(self, _body: Body) -> Body:
        """Return the checkout sheet."""
        return {"now_ms": self.clock.now_ms(), "rows": self.checkout.rows(self.frame())}

    async def _all_captures(self, _body: Body) -> Body:
        """Return the captures on disk, and those whose time is not over."""
        rows = await asyncio.to_thread(self.captures.rows)
        return {"now_ms": self.clock.now_ms(), "rows": rows, "capturing": self.captures.waiting()}

    async def _capture(self, body: Body) -> Body:
        """Return one capture whole."""
        found = await asyncio.to_thread(self.captures.one, str(body["id"]))
        if found is None:
            raise AskRefused("there is no such capture, or it cannot be read", "unknown_capture")
        return found

    async def _report(self, _body: Body) -> Body:
        """Return the starts and the times from order to proof."""
        now_ms = self.clock.now_ms()
        return {"now_ms": now_ms, "starts": self.starts.rows(), "times": self.waiting.rows(now_ms)}
