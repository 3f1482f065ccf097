"""The live socket ``/live``: server to browser only, one prepared message for all viewers.

A message is JSON. A short one goes as text; one of 1 kB or more is compressed once for everybody and goes as bytes
(zlib format, RFC 1950; a browser undoes it with ``DecompressionStream("deflate")``).

On connecting, and whenever it is not known any more what a viewer missed::

    {"kind": "snapshot", "run": "9f0c…", "seq": 41, "now_ms": …, "zone": "America/Chicago", "speed": 1, "simulated": true,
     "version": "…", "link": {"ok": true, "since_ms": …},
     "turns": {"°C": [1.8, 32.0, "°F"], …},
     "signals": {"CH-1.chws_temp": {"q": "temperature", "label": …, "equipment": "CH-1", "states": {"0": "OFF"},
                 "period_s": 5, "si": {"f": 0.5556, "o": -17.78, "d": 1, "u": "°C"}, "ip": {…}}},
     "readings": {name: [value | null, quality 0…3, reason, at_ms, u95 where it is known]},
     "conditions": {id: [operation, word, detail, hand]}, "flows": {id: [flow_l_s | null, moving | null, basis]},
     "alarms": {…}, "health": {…}}

A number is shown as ``value * f + o`` with ``d`` decimals and the unit label ``u``, its uncertainty as ``u95 * f``;
readings stay as reported.
Sentences name SI units; ``turns`` turns their numbers for a viewer of inch-pound units.
Then, once per frame of the field process and whenever the alarms change::

    {"kind": "delta", "seq": 42, "prev": 41, "now_ms": …, "readings": {…}, …}

with only what changed; a part that did not change is absent; ``alarms`` and ``health`` replace the whole part.
A viewer that was too slow for some gets what changed since its last one as a single delta: ``prev`` is then older.
One that was away asks for the same: ``/live?run=9f0c…&seq=41`` names the server's run and the last message it applied; if
either is not known any more it gets a snapshot. A delta whose ``prev`` is not the viewer's ``seq`` must not be applied.
When the field process falls silent, a snapshot whose readings are aged to STALE, a minute later one in which they
are BAD without a number, and once per second::

    {"kind": "link", "ok": false, "since_ms": …, "now_ms": …}

A snapshot again when it is back. So a viewer that hears nothing for 3 periods of 1 s + 2 s has lost the web process.
"""

from __future__ import annotations

import asyncio
import secrets
import zlib
from collections.abc import Mapping
from typing import Any, Final

import orjson
from starlette.websockets import WebSocket, WebSocketDisconnect

from plantview.clock import Clock
from plantview.web.changes import Changes
from plantview.web.frame_view import FRAME_PERIOD_REAL_S, Change, FrameView, Freshness
from plantview.web.snapshot import short, snapshot

VIEWERS_MAX: Final = 200
SEND_REAL_S_MAX: Final = 30.0
"""A viewer that takes nothing for so long is disconnected."""
HEALTH_PERIOD_REAL_S: Final = 5.0
"""Health counters change with every poll; viewers get them this often."""
PACKED_BYTES_MIN: Final = 1_000
PACKED_LEVEL: Final = 6
"""Of zlib: a frame of 300 values takes 0.1 ms and becomes a tenth, once for all viewers."""
SEQ_DIGITS_MAX: Final = 15
CLOSE_TRY_LATER: Final = 1013
CLOSE_POLICY: Final = 1008


class _Viewer:
    """One open page: the number of the last state it was sent, and whether there is something new."""

    def __init__(self, seq: int = -1) -> None:
        self.seq = seq
        self.wake = asyncio.Event()
        self.wake.set()


class Live:
    """Tells all viewers what changed; the newest state wins over a missed one."""

    def __init__(self, view: FrameView, clock: Clock) -> None:
        self._view = view
        self._clock = clock
        self.run_id = secrets.token_hex(4)
        """A server that was started again counts from the beginning."""
        self._viewers: set[_Viewer] = set()
        self._seq = 0
        self._changes = Changes()
        self._prepared: dict[int, str | bytes] = {}
        """By the number of the state that a viewer has: how it comes to the present one."""
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
        self._advance(anew=change.full)
        if not change.full:
            self._changes.take(self._seq, parts)
            self._prepared[self._seq - 1] = self._delta(self._seq - 1, parts)
        self._wake()

    def _advance(self, *, anew: bool) -> None:
        self._seq += 1
        self._prepared.clear()
        self._freshness = self._view.freshness()
        if anew:
            self._changes.anew(self._seq)

    def _delta(self, prev: int, parts: Mapping[str, Any]) -> str | bytes:
        return _message({"kind": "delta", "seq": self._seq, "prev": prev, "now_ms": self._view.now_ms(), **parts})

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
            self._advance(anew=True)
        if freshness is not Freshness.LIVE:
            self._wake()

    def _wake(self) -> None:
        for viewer in self._viewers:
            viewer.wake.set()

    def next_for(self, seq: int) -> tuple[int, str | bytes] | None:
        """Return what a viewer that has state ``seq`` is sent next and the state it then has; None if it has all."""
        if seq == self._seq:
            return None if self._freshness is Freshness.LIVE else (seq, self._link_message())
        have = seq if self._changes.known_since(seq) and len(self._prepared) < VIEWERS_MAX else -1
        if have not in self._prepared:
            self._prepared[have] = (
                _message({"run": self.run_id, **snapshot(self._view, self._seq)})
                if have < 0
                else self._delta(have, self._changes.since(have, self._view))
            )
        return self._seq, self._prepared[have]

    def resumed(self, run: str, seq: str) -> int:
        """Return the state that a viewer comes back with; -1 if that is not one of ours."""
        number = (
            int(seq) if run == self.run_id and seq.isascii() and seq.isdecimal() and len(seq) <= SEQ_DIGITS_MAX else -1
        )
        return number if number <= self._seq else -1

    def _link_message(self) -> str | bytes:
        link = self._view.link()
        return _message({"kind": "link", "ok": link.ok, "since_ms": link.since_ms, "now_ms": self._view.now_ms()})

    async def serve(self, websocket: WebSocket) -> None:
        """Serve one viewer until it leaves, stalls, or says anything: this socket takes no words."""
        if len(self._viewers) >= VIEWERS_MAX:
            await websocket.close(CLOSE_TRY_LATER, f"{VIEWERS_MAX} pages are open already")
            return
        await websocket.accept()
        asked = websocket.query_params
        viewer = _Viewer(self.resumed(asked.get("run", ""), asked.get("seq", "")))
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
                    await _tell(websocket, following[1])
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


async def _tell(websocket: WebSocket, message: str | bytes) -> None:
    if isinstance(message, str):
        await websocket.send_text(message)
    else:
        await websocket.send_bytes(message)


def _message(told: dict[str, Any]) -> str | bytes:
    text = orjson.dumps(told)
    return text.decode() if len(text) < PACKED_BYTES_MIN else zlib.compress(text, PACKED_LEVEL)
