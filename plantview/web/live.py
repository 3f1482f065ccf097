"""The live socket ``/live``: server to browser only, JSON text, one encoding for all viewers.

On connecting, and whenever a viewer missed something::

    {"kind": "snapshot", "seq": 41, "now_ms": …, "zone": "America/Chicago", "speed": 1, "simulated": true,
     "version": "…", "link": {"ok": true, "since_ms": …},
     "signals": {"CH-1.chws_temp": {"q": "temperature", "label": …, "equipment": "CH-1", "states": {"0": "OFF"},
                 "period_s": 5, "si": {"f": 0.5556, "o": -17.78, "d": 1, "u": "°C"}, "ip": {…}}},
     "readings": {name: [value | null, quality 0…3, reason, at_ms, u95 where it is known]},
     "conditions": {id: [operation, word, detail, hand]}, "flows": {id: [flow_l_s | null, moving | null, basis]},
     "alarms": {…}, "health": {…}}

A number is shown as ``value * f + o`` with ``d`` decimals and the unit label ``u``, its uncertainty as ``u95 * f``;
readings stay as reported.
Then, once per frame of the field process (1 s) and whenever the alarms change::

    {"kind": "delta", "seq": 42, "prev": 41, "now_ms": …, "readings": {…}, …}

with only what changed; a part that did not change is absent; ``alarms`` and ``health`` replace the whole part.
A viewer whose last ``seq`` is not ``prev`` must not apply it; the server sends such a viewer a snapshot instead.
When the field process falls silent, a snapshot whose readings are aged to STALE, a minute later one in which they
are BAD without a number, and once per second::

    {"kind": "link", "ok": false, "since_ms": …, "now_ms": …}

A snapshot again when it is back. So a viewer that hears nothing for 3 periods of 1 s + 2 s has lost the web process.
"""

from __future__ import annotations

import asyncio
from collections.abc import Mapping
from typing import Any, Final

import orjson
from starlette.websockets import WebSocket, WebSocketDisconnect

from plantview.clock import Clock
from plantview.web.frame_view import FRAME_PERIOD_REAL_S, Change, FrameView, Freshness
from plantview.web.snapshot import short, snapshot

VIEWERS_MAX: Final = 200
SEND_REAL_S_MAX: Final = 30.0
"""A viewer that takes nothing for so long is disconnected."""
HEALTH_PERIOD_REAL_S: Final = 5.0
"""Health counters change with every poll; viewers get them this often."""
CLOSE_TRY_LATER: Final = 1013
CLOSE_POLICY: Final = 1008


class _Viewer:
    """One open page: the number of the last state it was sent, and whether there is something new."""

    def __init__(self) -> None:
        self.seq = -1
        self.wake = asyncio.Event()
        self.wake.set()


class Live:
    """Tells all viewers what changed; the newest state wins over a missed one."""

    def __init__(self, view: FrameView, clock: Clock) -> None:
        self._view = view
        self._clock = clock
        self._viewers: set[_Viewer] = set()
        self._seq = 0
        self._delta: str | None = None
        self._snapshot: str | None = None
        self._freshness = Freshness.OLD
        self._health_s = -HEALTH_PERIOD_REAL_S

    @property
    def viewers(self) -> int:
        """Return how many pages are connected."""
        return len(self._viewers)

    def changed(self, change: Change) -> None:
        """Tell every viewer about one change of the view."""
        parts = dict(change.parts)
        if "health" in parts and not change.full and not self._health_due():
            return
        if "health" in parts:
            parts["health"] = short(parts["health"])
        self._advance()
        if not change.full:
            self._delta = _text(
                {"kind": "delta", "seq": self._seq, "prev": self._seq - 1, "now_ms": self._view.now_ms(), **parts}
            )
        self._wake()

    def _advance(self) -> None:
        self._seq += 1
        self._delta = self._snapshot = None
        self._freshness = self._view.freshness()

    def _health_due(self) -> bool:
        now = self._clock.monotonic_s()
        if now - self._health_s < HEALTH_PERIOD_REAL_S:
            return False
        self._health_s = now
        return True

    async def run(self) -> None:
        """Watch the link once per second and say so while it is down; until cancelled."""
        while True:
            self.check_link()
            await self._clock.sleep(FRAME_PERIOD_REAL_S)

    def check_link(self) -> None:
        """Tell every viewer if the field process is silent."""
        freshness = self._view.freshness()
        if freshness is not self._freshness:
            self._advance()
        if freshness is not Freshness.LIVE:
            self._wake()

    def _wake(self) -> None:
        for viewer in self._viewers:
            viewer.wake.set()

    def next_for(self, seq: int) -> tuple[int, str] | None:
        """Return what a viewer that has state ``seq`` is sent next and the state it then has; None if it has all."""
        if seq == self._seq:
            return None if self._freshness is Freshness.LIVE else (seq, self._link_message())
        if seq == self._seq - 1 and self._delta is not None:
            return self._seq, self._delta
        if self._snapshot is None:
            self._snapshot = _text(snapshot(self._view, self._seq))
        return self._seq, self._snapshot

    def _link_message(self) -> str:
        link = self._view.link()
        return _text({"kind": "link", "ok": link.ok, "since_ms": link.since_ms, "now_ms": self._view.now_ms()})

    async def serve(self, websocket: WebSocket) -> None:
        """Serve one viewer until it leaves, stalls, or says anything: this socket takes no words."""
        if len(self._viewers) >= VIEWERS_MAX:
            await websocket.close(CLOSE_TRY_LATER, f"{VIEWERS_MAX} pages are open already")
            return
        await websocket.accept()
        viewer = _Viewer()
        self._viewers.add(viewer)
        tasks: set[asyncio.Task[Any]] = {
            asyncio.create_task(self._send(websocket, viewer)),
            asyncio.create_task(_heard(websocket)),
        }
        try:
            done, _ = await asyncio.wait(tasks, return_when=asyncio.FIRST_COMPLETED)
            await _close(websocket, done)
        finally:
            self._viewers.discard(viewer)
            for task in tasks:
                task.cancel()
            await asyncio.gather(*tasks, return_exceptions=True)

    async def _send(self, websocket: WebSocket, viewer: _Viewer) -> None:
        while True:
            await viewer.wake.wait()
            viewer.wake.clear()
            following = self.next_for(viewer.seq)
            if following is not None:
                async with asyncio.timeout(SEND_REAL_S_MAX):
                    await websocket.send_text(following[1])
                viewer.seq = following[0]


async def _heard(websocket: WebSocket) -> Mapping[str, Any]:
    return await websocket.receive()


async def _close(websocket: WebSocket, done: set[asyncio.Task[Any]]) -> None:
    for task in done:
        error = task.exception()
        if error is not None and not isinstance(error, (TimeoutError, WebSocketDisconnect, OSError)):
            raise error
        if error is None and task.result()["type"] == "websocket.receive":
            await websocket.close(CLOSE_POLICY, "this socket only sends")


def _text(message: dict[str, Any]) -> str:
    return orjson.dumps(message).decode()
