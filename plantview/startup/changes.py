"""Readings become events: every state that changed, and when that can have been.

A change that two scans saw lies between them: the later scan is its time, and it may be earlier by as much as lies
between the two. A point in the fast group is therefore known more closely, one behind a silent device less.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass
from typing import Final

from plantview.model.device_event import DeviceEvent
from plantview.model.plant import Plant
from plantview.model.point import Point
from plantview.model.reading import Batch, Reading
from plantview.startup.event import DEVICE, SCAN, STAMP_MS, Event
from plantview.startup.onoff import POSITIONS, is_on, word_of

KIND_OF: Final[Mapping[str, str]] = {
    "command": "command", "enable": "command", "isolation_valve_command": "command",
    "status": "status", "position": "status", "isolation_valve": "status",
    "chw_flow_proof": "proof", "cw_flow_proof": "proof", "mode": "mode", "fault": "fault",
}  # fmt: skip
"""Measurement -> kind of its events; a state that is not here is just a ``state``."""


@dataclass(frozen=True, slots=True)
class Edge:
    """A point that turned on or off, or was seen for the first time (``before`` None)."""

    point: str
    at_ms: int
    gap_ms: int
    """Time since the reading before: the change may be as much earlier."""
    before: bool | None
    now: bool | None
    word: str = ""


@dataclass(frozen=True, slots=True)
class _Last:
    at_ms: int
    word: str
    on: bool | None


class Changes:
    """Remembers what each state last said."""

    def __init__(self, plant: Plant) -> None:
        self._points = {name: point for name, point in plant.points.items() if is_watched(point)}
        self._last: dict[str, _Last] = {}
        self._told: dict[str, frozenset[str]] = {}

    def take(self, batch: Batch) -> tuple[list[Event], list[Edge]]:
        """Return what changed with a batch of readings; an unusable reading changes nothing, it only hides."""
        events, edges = list[Event](), list[Edge]()
        for name, reading in batch.readings.items():
            point = self._points.get(name)
            if point is None or not reading.usable:
                continue
            self._one(point, reading, events, edges)
        return events, edges

    def _one(self, point: Point, reading: Reading, events: list[Event], edges: list[Edge]) -> None:
        word, now_on = word_of(point, reading), is_on(point, reading)
        last = self._last.get(point.name)
        if last is not None and reading.at_ms < last.at_ms:
            return
        self._last[point.name] = _Last(reading.at_ms, word, now_on)
        if last is None:
            edges.append(Edge(point.name, reading.at_ms, round(point.period_s * 1_000), None, now_on, word))
            return
        gap_ms = reading.at_ms - last.at_ms
        if word != last.word:
            edges.append(Edge(point.name, reading.at_ms, gap_ms, last.on, now_on, word))
            kind = KIND_OF.get(point.measurement, "state")
            events.append(
                Event(reading.at_ms, gap_ms, 0, SCAN, kind, point.equipment, point.name, last.word, word, point.label)
            )

    def device_events(self, told: Mapping[str, Iterable[DeviceEvent]], now_ms: int, period_ms: int) -> list[Event]:
        """Return the transitions that devices tell of and that were not told before."""
        found: list[Event] = []
        for device, events in told.items():
            fresh = {item.key: item for item in _transitions(device, events, now_ms, period_ms)}
            known = self._told.get(device, frozenset())
            self._told[device] = frozenset(fresh)
            found += [item for key, item in fresh.items() if key not in known]
        return found


def is_watched(point: Point) -> bool:
    """Return whether the changes of a point are events."""
    return bool(point.states) or (point.measurement in POSITIONS and point.quantity == "percent")


def _transitions(device: str, events: Iterable[DeviceEvent], now_ms: int, period_ms: int) -> Iterator[Event]:
    for event in events:
        for one in event.transitions:
            if one.local_ms is None and one.sequence is None:
                continue
            key = f"{device}|{event.object_name}|{one.word}|{one.local_ms or one.sequence}"
            stamped = one.at_ms is not None
            yield Event(
                one.at_ms if one.at_ms is not None else now_ms,
                STAMP_MS if stamped else period_ms,
                STAMP_MS if stamped else 0,
                DEVICE if stamped else SCAN,
                "device",
                device,
                before="",
                after=one.word,
                text=event.object_name
                if stamped
                else f"{event.object_name}; its device's clock is not known, so this is when it was told",
                key=key,
            )
