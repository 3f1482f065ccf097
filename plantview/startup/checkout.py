"""The checkout sheet: each point seen changing, as reported and as shown, against a reading taken by hand."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any, Final

from plantview.clock import Clock
from plantview.model.plant import Plant
from plantview.model.point import ModbusAddress, Point
from plantview.model.reading import Batch, Frame
from plantview.startup.memory import Memory

KEPT: Final = "checked"
SEEN: Final = "seen"
KEEP_SEEN_EVERY_S: Final = 15.0
PASS, FAIL = "pass", "fail"
VERDICTS: Final = frozenset({"", PASS, FAIL})


@dataclass(slots=True)
class _Seen:
    low: float
    high: float
    last: float
    changes: int = 0
    first_ms: int = 0
    last_ms: int = 0
    stirred: bool = False


class Refused(Exception):
    """A line of the sheet that cannot be taken; the text says why."""


class Checkout:
    """What was seen of each point, and what a person found beside the machine."""

    def __init__(self, plant: Plant, memory: Memory, clock: Clock) -> None:
        self._plant, self._memory, self._clock = plant, memory, clock
        self._seen: dict[str, _Seen] = {}
        self._checked: dict[str, dict[str, Any]] = {}
        self._kept_s = -math.inf

    def recall(self) -> None:
        """Take back the sheet of an earlier run."""
        self._checked = {name: row for name, row in self._memory.rows(KEPT).items() if name in self._plant.points}
        for name, row in self._memory.rows(SEEN).items():
            if name in self._plant.points and name not in self._seen:
                self._seen[name] = _Seen(**{**row, "stirred": False})

    def take(self, batch: Batch) -> None:
        """Note lowest, highest and changes of what was read."""
        for name, reading in batch.readings.items():
            if reading.value is None or not reading.usable or name not in self._plant.points:
                continue
            value, seen = reading.value, self._seen.get(name)
            if seen is None:
                self._seen[name] = _Seen(value, value, value, 0, reading.at_ms, reading.at_ms, stirred=True)
            elif value != seen.last:
                seen.low, seen.high, seen.last = min(seen.low, value), max(seen.high, value), value
                seen.changes, seen.last_ms, seen.stirred = seen.changes + 1, reading.at_ms, True

    def keep(self) -> None:
        """Hand to the written memory what was stirred, now and then."""
        now_s = self._clock.monotonic_s()
        if now_s - self._kept_s < KEEP_SEEN_EVERY_S * self._clock.speed:
            return
        self._kept_s = now_s
        for name, seen in self._seen.items():
            if seen.stirred:
                seen.stirred = False
                fields = ("low", "high", "last", "changes", "first_ms", "last_ms")
                self._memory.keep(SEEN, name, {field: getattr(seen, field) for field in fields})

    def check(self, frame: Frame, name: str, given: Mapping[str, Any], person: str) -> dict[str, Any]:
        """Write one line: hand reading and tolerance in the reported unit, verdict, comment. Raises Refused."""
        point = self._plant.points.get(name)
        if point is None:
            raise Refused(f"there is no point '{name[:80]}' in this plant")
        hand, tolerance = _number(given, "hand"), _number(given, "tolerance")
        verdict = str(given.get("verdict", ""))
        if verdict not in VERDICTS:
            raise Refused("the verdict is pass, fail, or empty")
        if tolerance is not None and tolerance < 0:
            raise Refused("a tolerance is not negative")
        reading = frame.reading(name)
        shown = _scaled(point, reading.value)
        difference = None if hand is None or shown is None else shown - hand
        if hand is not None and shown is None:
            raise Refused(f"{name} has no value to compare with: {reading.reason}")
        if not verdict and difference is not None and tolerance is not None:
            verdict = PASS if abs(difference) <= tolerance + 1e-9 else FAIL
        row = {
            "hand": hand,
            "tolerance": tolerance,
            "shown": shown,
            "raw": _raw(point, reading.value),
            "difference": None if difference is None else round(difference, 6),
            "verdict": verdict,
            "comment": str(given.get("comment", "")),
            "person": person,
            "at_ms": self._clock.now_ms(),
        }
        self._checked[name] = row
        self._memory.keep(KEPT, name, row)
        return row

    def rows(self, frame: Frame) -> list[dict[str, Any]]:
        """Return the sheet, one row per point in the order of the point list."""
        return [self._row(point, frame) for point in self._plant.points.values()]

    def _row(self, point: Point, frame: Frame) -> dict[str, Any]:
        reading, seen = frame.reading(point.name), self._seen.get(point.name)
        return {
            "point": point.name,
            "equipment": point.equipment,
            "label": point.label,
            "device": point.device,
            "address": str(point.address),
            "unit": "" if point.states else point.unit.label,
            "value": _scaled(point, reading.value),
            "word": "" if reading.value is None else point.states.get(round(reading.value), ""),
            "raw": _raw(point, reading.value),
            "quality": int(reading.quality),
            "reason": reading.reason,
            "seen_low": None if seen is None else _scaled(point, seen.low),
            "seen_high": None if seen is None else _scaled(point, seen.high),
            "changes": 0 if seen is None else seen.changes,
            "changed_ms": seen.last_ms if seen is not None and seen.changes else None,
            "checked": self._checked.get(point.name),
        }


def _scaled(point: Point, value: float | None) -> float | None:
    """Return what pages show in the reported unit: with the accepted offset of the sensor."""
    return None if value is None else round(value + point.correction, 6)


def _raw(point: Point, value: float | None) -> float | None:
    """Return the register's number, worked back through scale and offset; the reported number where nothing is scaled."""
    if value is None or not isinstance(point.address, ModbusAddress) or not point.address.scale:
        return value
    return round((value - point.address.offset) / point.address.scale, 6)


def _number(given: Mapping[str, Any], name: str) -> float | None:
    value = given.get(name)
    if value is None or value == "":
        return None
    if isinstance(value, bool) or not isinstance(value, int | float) or not math.isfinite(value):
        raise Refused(f"'{name}' is no number")
    return float(value)
