"""What waits for one receiver: gathered calls, calls that must stay unacknowledged first, and messages to send.

Calls of the same moment leave in one message. In a flood a receiver hears every ten minutes, but of a
new urgent alarm at once. A message that cannot be sent is tried again a few times, then counted as lost.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Container
from dataclasses import dataclass, field, replace
from datetime import datetime
from typing import Any, Final
from zoneinfo import ZoneInfo

from plantview.notifying.message import Call, Message
from plantview.notifying.settings import Receiver

GATHER_S: Final = 10.0
BETWEEN_S: Final = 60.0
FLOOD_CALLS: Final = 10
FLOOD_S: Final = 600.0
"""So many calls within so long are a flood; then the next message waits so long."""
RETRY_S: Final = (30.0, 60.0, 120.0, 300.0, 600.0)
CALLS_MAX: Final = 5_000
OUT_MAX: Final = 50
URGENT: Final = 1


@dataclass(slots=True)
class Outgoing:
    """A message with the attempts that were made; ``due_s`` on the monotonic clock."""

    message: Message
    due_s: float
    attempts: int = 0


@dataclass(slots=True)
class Waiting:
    """Everything that one receiver is still to hear."""

    receiver: Receiver
    zone: ZoneInfo
    calls: list[Call] = field(default_factory=list)
    first_s: float = 0.0
    last_s: float = -FLOOD_S
    """When the last message about alarms was made up."""
    later: dict[str, tuple[float, Call]] = field(default_factory=dict)
    recent: deque[float] = field(default_factory=lambda: deque(maxlen=FLOOD_CALLS))
    out: deque[Outgoing] = field(default_factory=deque)
    sent: int = 0
    lost: int = 0
    left_out: int = 0
    trouble: str = ""
    last_sent_ms: int = 0

    def offer(self, call: Call, now_s: float) -> None:
        """Take an annunciation if it is for this receiver."""
        if not self.receiver.wants(call.priority, call.class_name):
            return
        if self.receiver.unacknowledged_s:
            self.later.setdefault(call.alarm, (now_s + self.receiver.unacknowledged_s, call))
        elif self._on_duty(call.at_ms):
            self._gather(call, now_s)

    def escalate(self, unacknowledged: Container[str], now_s: float, now_ms: int) -> None:
        """Gather what nobody has acknowledged for too long; forget what somebody has."""
        for name, (due_s, call) in list(self.later.items()):
            if name not in unacknowledged:
                del self.later[name]
            elif now_s >= due_s and self._on_duty(now_ms):
                del self.later[name]
                minutes = self.receiver.unacknowledged_s / 60
                self._gather(replace(call, note=f"not acknowledged for {minutes:g} min"), now_s)

    def due(self, now_s: float) -> list[Call]:
        """Return the calls of the next message if it is time for one, else nothing."""
        if not self.calls or now_s < self._ready_s():
            return []
        calls, self.calls = self.calls, []
        self.last_s = now_s
        return calls

    def put(self, message: Message, now_s: float) -> None:
        """Queue a message; of too many the oldest is lost, and counted."""
        if len(self.out) >= OUT_MAX:
            self.out.popleft()
            self.lost += 1
        self.out.append(Outgoing(message, now_s))

    def next(self, now_s: float) -> Outgoing | None:
        """Return the message to send now."""
        return self.out[0] if self.out and now_s >= self.out[0].due_s else None

    def succeeded(self, outgoing: Outgoing, now_ms: int) -> None:
        """Note that a message was sent."""
        self._remove(outgoing)
        self.sent += 1
        self.trouble, self.last_sent_ms = "", now_ms

    def failed(self, outgoing: Outgoing, why: str, now_s: float) -> None:
        """Note that a message could not be sent; it is tried again, but not for ever."""
        self.trouble = why
        if outgoing.attempts >= len(RETRY_S):
            self._remove(outgoing)
            self.lost += 1
            return
        outgoing.due_s = now_s + RETRY_S[outgoing.attempts]
        outgoing.attempts += 1

    def row(self) -> dict[str, Any]:
        """Return how this receiver stands, without credentials."""
        return {
            "name": self.receiver.name,
            "way": "e-mail" if self.receiver.email else "web address" if self.receiver.webhook else "service",
            "priorities": sorted(self.receiver.priorities),
            "unacknowledged_s": self.receiver.unacknowledged_s,
            "waiting": len(self.calls) + len(self.out),
            "sent": self.sent,
            "lost": self.lost,
            "left_out": self.left_out,
            "trouble": self.trouble,
            "last_sent_ms": self.last_sent_ms or None,
        }

    def _gather(self, call: Call, now_s: float) -> None:
        if len(self.calls) >= CALLS_MAX:
            self.left_out += 1
            return
        if not self.calls:
            self.first_s = now_s
        self.calls.append(call)
        self.recent.append(now_s)

    def _ready_s(self) -> float:
        gathered_s = self.first_s + GATHER_S
        urgent = any(call.priority == URGENT for call in self.calls)
        return max(gathered_s, self.last_s + (FLOOD_S if self._flood() and not urgent else BETWEEN_S))

    def _flood(self) -> bool:
        return len(self.recent) == FLOOD_CALLS and self.recent[-1] - self.recent[0] <= FLOOD_S

    def _on_duty(self, at_ms: int) -> bool:
        return self.receiver.on_duty(datetime.fromtimestamp(at_ms / 1_000, self.zone))

    def _remove(self, outgoing: Outgoing) -> None:
        if outgoing in self.out:
            self.out.remove(outgoing)
