"""Where polling hands on what it learns besides current readings."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field

from plantview.clock import SystemClock
from plantview.model.device_event import DeviceEvent
from plantview.model.reading import Reading
from plantview.polling.memory import Memory


@dataclass(frozen=True, slots=True)
class Backfilled:
    """What a device's own trend log holds for a time in which nobody could ask it."""

    point: str
    source: str
    """``trend-log,3 of BC-1``: history marks the readings with it."""
    readings: tuple[Reading, ...]
    """In the order of time, each once, none outside the outage; times are corrected by the device's clock offset."""


BackfillSink = Callable[[Backfilled], None]
EventSink = Callable[[str, tuple[DeviceEvent, ...]], None]
"""Takes a device id and everything that the device considers to be in alarm now."""


def _nothing_learned() -> Memory:
    return Memory(None, SystemClock())


@dataclass(frozen=True, slots=True)
class Outlets:
    """Optional: without a sink, trend logs and events are not asked for at all."""

    zone: str = "UTC"
    """The plant's time zone, in which its devices keep their clocks."""
    memory: Memory = field(default_factory=_nothing_learned)
    backfill: BackfillSink | None = None
    events: EventSink | None = None
