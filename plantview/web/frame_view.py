"""The web process's copy of what the field process knows, fed message by message.

When the field falls silent, the copy grows old by itself: nothing here is ever shown
or answered as if it were live.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from enum import IntEnum
from typing import Any, Final

from plantview.channel.client import LOST
from plantview.clock import Clock, local_text
from plantview.model.plant import Plant
from plantview.model.quality import Quality
from plantview.model.reading import Reading, bad
from plantview.model.signal import Signal, signal_of
from plantview.units import unit

FRAME_PERIOD_REAL_S: Final = 1.0
LINK_DEADLINE_REAL_S: Final = 3 * FRAME_PERIOD_REAL_S + 2.0
"""Silence of the field process from which its values are no longer live."""
BAD_AFTER_REAL_S: Final = 60.0
"""Silence from which its last values are not shown at all."""
U95_PLACE: Final = 4
"""Place of the uncertainty in a row of readings; rows without one are shorter."""
PARTS: Final = ("readings", "conditions", "flows")


@dataclass(frozen=True, slots=True)
class Link:
    """Whether the field process is heard."""

    ok: bool
    since_ms: int
    """Plant time of the last message if not ok, of the first one since the link came up if ok."""


class Freshness(IntEnum):
    """What the silence of the field process leaves of its last values."""

    LIVE = 0
    OLD = 1
    """Shown as stale."""
    GONE = 2
    """Not shown."""


@dataclass(frozen=True, slots=True)
class Change:
    """What one message changed."""

    full: bool = False
    """True when everything may have changed, the link included."""
    parts: Mapping[str, Any] = field(default_factory=dict)
    """``readings conditions flows alarms health`` with what is new in each."""


class FrameView:
    """Latest readings, conditions, flows, alarms and health, and how old they are."""

    def __init__(self, plant: Plant, clock: Clock) -> None:
        self.plant = plant
        self._clock = clock
        self.hello: dict[str, Any] = {}
        self.signals: Mapping[str, Signal] = {name: signal_of(point) for name, point in plant.points.items()}
        self.readings: dict[str, list[Any]] = {}
        self.conditions: dict[str, list[Any]] = {}
        self.flows: dict[str, list[Any]] = {}
        self.alarms: dict[str, Any] = {}
        self.health: dict[str, Any] = {}
        self._complete = False
        self._heard_ms = self._up_ms = clock.now_ms()
        self._heard_s = clock.monotonic_s()

    @property
    def speed(self) -> float:
        """Return plant seconds per real second."""
        return float(self.hello.get("speed", 1.0))

    def silence_s(self) -> float:
        """Return real seconds since the field process was last heard."""
        return self._clock.monotonic_s() - self._heard_s

    def now_ms(self) -> int:
        """Return plant time: the field's last word, carried on."""
        return self._heard_ms + round(self.silence_s() * self.speed * 1_000)

    def link(self) -> Link:
        """Return whether what is here is live."""
        ok = self._complete and self.silence_s() <= LINK_DEADLINE_REAL_S
        return Link(ok, self._up_ms if ok else self._heard_ms)

    def freshness(self) -> Freshness:
        """Return how much of what is here may still be shown."""
        if self.link().ok:
            return Freshness.LIVE
        return Freshness.OLD if self.silence_s() <= BAD_AFTER_REAL_S else Freshness.GONE

    def reading(self, name: str) -> Reading:
        """Return a reading as it may be shown now; aged here when the field is silent."""
        row = self.readings.get(name)
        if row is None:
            return bad("not read yet", self.now_ms())
        reading = Reading(row[0], Quality(row[1]), row[2], row[3], row[4] if len(row) > U95_PLACE else None)
        freshness = self.freshness()
        if freshness is Freshness.LIVE or reading.quality is Quality.BAD:
            return reading
        why = f"no data from the field process since {local_text(self._heard_ms, self.plant.zone)}"
        if freshness is Freshness.GONE:
            return bad(why, reading.at_ms)
        return Reading(reading.value, Quality.STALE, why, reading.at_ms, reading.u95)

    def take(self, kind: str, body: Mapping[str, Any]) -> Change | None:
        """Take in one message of the channel; return what it changed, None if nothing to tell viewers."""
        if kind == LOST:
            self._complete = False
            return Change(full=True)
        if kind == "hello":
            self._take_hello(body)
        elif kind == "frame":
            return self._take_frame(body)
        elif kind in ("alarms", "health"):
            setattr(self, kind, dict(body))
            return Change(parts={kind: dict(body)}) if self._complete else None
        return None

    def _take_hello(self, body: Mapping[str, Any]) -> None:
        self.hello = {key: value for key, value in body.items() if key != "signals"}
        self.signals = {row["name"]: _signal(row) for row in body["signals"]}
        self._complete = False

    def _take_frame(self, body: Mapping[str, Any]) -> Change | None:
        full = bool(body["full"])
        if not full and not self._complete:
            return None
        came_back = not self.link().ok
        self._heard_s, self._heard_ms = self._clock.monotonic_s(), int(body["now_ms"])
        for part in PARTS:
            held = getattr(self, part)
            if full:
                held.clear()
            held.update(body[part])
        self._complete = True
        if came_back:
            self._up_ms = self._heard_ms
        if full or came_back:
            return Change(full=True)
        return Change(parts={part: body[part] for part in PARTS if body[part]})


def _signal(row: Mapping[str, Any]) -> Signal:
    return Signal(
        row["name"],
        row["equipment"],
        row["measurement"],
        row["quantity"],
        unit(row["unit"], row["quantity"]),
        row["label"],
        {int(number): word for number, word in row["states"].items()},
        row["period_s"],
        row["device"],
        row["address"],
        tuple(row["inputs"]),
        row["note"],
    )
