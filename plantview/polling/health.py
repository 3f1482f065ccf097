"""How the conversation with one device goes: counted, bounded, in the crew's words."""

from __future__ import annotations

from collections import Counter, deque
from dataclasses import dataclass, field
from typing import Any, Final

from plantview.clock import Clock
from plantview.drivers.exchange import Exchange
from plantview.errors import DeviceRefused, DeviceSilent, DeviceUnreachable, DriverError, ReplyUnusable
from plantview.model.plant import Device
from plantview.polling.budget import BUSY_MAX, Recent

EXCHANGES_KEPT: Final = 20
STARTING, ANSWERING, SILENT = "starting", "answering", "silent"
FAILURE_KINDS: Final[dict[type[DriverError], str]] = {
    DeviceSilent: "silent",
    DeviceUnreachable: "unreachable",
    DeviceRefused: "refused",
    ReplyUnusable: "unusable",
}


@dataclass
class DeviceHealth:
    """Counters and the last exchanges of one device."""

    device: Device
    clock: Clock
    points: int
    state: str = STARTING
    last_answer_ms: int | None = None
    last_error: str = ""
    last_error_ms: int | None = None
    requests: int = 0
    failures: Counter[str] = field(default_factory=Counter)
    cycle_ms: int | None = None
    """Length of the last cycle in plant milliseconds."""
    skipped: int = 0
    """Cycles that were due while an earlier one was still under way; never caught up."""
    clock_offset_s: float | None = None
    """The device's clock minus ours; None where it has none or was not asked yet."""
    notices: dict[str, str] = field(default_factory=dict)
    """What a technician should know though nothing failed, by subject: clock, duplicate, cov, trend logs."""
    extra: dict[str, Any] = field(default_factory=dict)
    _exchanges: deque[tuple[int, Exchange]] = field(default_factory=lambda: deque(maxlen=EXCHANGES_KEPT))

    def __post_init__(self) -> None:
        self.busy = Recent(self.clock.monotonic_s)
        self.recent_requests = Recent(self.clock.monotonic_s)

    def trace(self, exchange: Exchange) -> None:
        """Note one exchange."""
        self.requests += 1
        self.recent_requests.add(1.0)
        at_ms = self.clock.now_ms()
        if exchange.outcome == "ok":
            self.last_answer_ms, self.state = at_ms, ANSWERING
        self._exchanges.append((at_ms, exchange))

    def failed(self, error: DriverError) -> None:
        """Count a failure by its name and keep its sentence."""
        self.failures[FAILURE_KINDS.get(type(error), "other")] += 1
        self.last_error, self.last_error_ms = error.detail, self.clock.now_ms()
        if isinstance(error, DeviceRefused | ReplyUnusable):
            self.last_answer_ms = self.last_error_ms

    def as_dict(self, plan: dict[str, Any]) -> dict[str, Any]:
        """Return a JSON-able record; ``plan`` says how the points are asked and what was learned."""
        return {
            "id": self.device.id,
            "label": self.device.label,
            "protocol": self.device.protocol,
            "address": self.device.address,
            "unit": self.device.unit,
            "state": self.state,
            "last_answer_ms": self.last_answer_ms,
            "last_error": self.last_error,
            "last_error_ms": self.last_error_ms,
            "requests": self.requests,
            "failures": dict(self.failures),
            "cycle_ms": self.cycle_ms,
            "station": self.device.station,
            "framer": self.device.framer,
            "clock_offset_s": self.clock_offset_s,
            "notices": dict(self.notices),
            **self.extra,
            "busy_pct": round(100.0 * self.busy.per_second(), 1),
            "busy_max_pct": round(100.0 * BUSY_MAX),
            "requests_per_s": round(self.recent_requests.per_second() * self.clock.speed, 2),
            "requests_per_s_max": self.device.requests_per_s or None,
            "skipped": self.skipped,
            "points": self.points,
            "period_s": self.device.period_s,
            **plan,
            "exchanges": [
                {"at_ms": at_ms, "sent": one.sent.hex(" "), "received": one.received.hex(" "), "outcome": one.outcome}
                for at_ms, one in self._exchanges
            ],
        }
