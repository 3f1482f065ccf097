"""The offset table: sensors in one water compared while a machine stands, beside readings of a technician's thermometer."""

from __future__ import annotations

import math
from collections.abc import Awaitable, Callable, Iterable
from pathlib import Path
from typing import Any, Final

from plantview.channel.messages import AskRefused
from plantview.checks.correction import Edit
from plantview.checks.edits import point_lines
from plantview.checks.offsets import Compared
from plantview.clock import Clock
from plantview.model.plant import Plant
from plantview.model.point import Point
from plantview.model.signal import offset_note
from plantview.service.findings_kept import Kept
from plantview.units import canonical

Body = dict[str, Any]
AGAIN_MS: Final = 6 * 3_600_000
"""A place is compared anew after so long; within it the longest comparison stands."""
WATER_C: Final = (-20.0, 95.0)
NOTE_MAX: Final = 200
DIGITS: Final = 2
CAUTION: Final = (
    "An offset is worth accepting only against a thermometer of known accuracy in a well beside the sensor. "
    "Sensors that agree with each other can all be wrong by the same."
)


class OffsetTable:
    """Comparisons and thermometer readings, kept with their dates; an offset is proposed, never applied."""

    def __init__(self, plant: Plant, clock: Clock, kept: Kept, reported: Callable[[str], float | None]) -> None:
        self._plant, self._clock, self._kept, self._reported = plant, clock, kept, reported

    def answers(self) -> dict[str, Callable[[Body], Awaitable[Body]]]:
        """Return the questions with their answers."""
        return {"thermometer": self.thermometer}

    def take(self, compared: Iterable[Compared]) -> None:
        """Keep comparisons; of one occasion the one with the most rows."""
        rows, changed = self._kept.lists["compared"], False
        for each in compared:
            last = next((row for row in reversed(rows) if row["place"] == each.place), None)
            same = last is not None and each.to_ms - last["from_ms"] < AGAIN_MS
            if last is not None and same:
                if each.rows > last["rows"]:
                    last.update(each.row())
                    changed = True
                continue
            self._kept.add("compared", each.row())
            changed = True
        if changed:
            self._kept.write()

    async def thermometer(self, body: Body) -> Body:
        """Keep what a thermometer reads beside a sensor now: ``point``, ``value`` with ``unit`` degC or degF, ``person``."""
        point = self._sensor(str(body.get("point", "")))
        person, note = str(body.get("person", "")).strip(), str(body.get("note", "")).strip()[:NOTE_MAX]
        if not person:
            raise AskRefused("a thermometer reading needs a name", "person")
        read_c = _celsius(body.get("value"), str(body.get("unit", "")))
        reported = self._reported(point.name)
        if reported is None:
            raise AskRefused(f"{point.name} has no reading now to compare with", "point")
        plain_c = canonical("temperature").from_canonical(point.unit.to_canonical(reported - point.correction))
        row = {"point": point.name, "at_ms": self._clock.now_ms(), "thermometer_c": round(read_c, 3),
               "sensor_c": round(plain_c, 3), "person": person, "note": note}  # fmt: skip
        self._kept.add("thermometer", row)
        self._kept.write()
        return row

    def rows(self) -> Body:
        """Return the table: a row per water sensor with its last comparison, last thermometer reading and accepted offset."""
        return {
            "caution": CAUTION, "rows": [self._row(point) for point in self._sensors()],
            "thermometer": self._kept.lists["thermometer"][::-1], "compared": self._kept.lists["compared"][::-1],
        }  # fmt: skip

    def _sensors(self) -> list[Point]:
        named = {name for row in self._kept.lists["compared"] for name in row["sensors"]}
        named |= {row["point"] for row in self._kept.lists["thermometer"]}
        headers = {header for loop in self._plant.loops.values() for header in loop.headers}
        return [
            point for point in self._plant.points.values()
            if point.quantity == "temperature" and not point.commandable
            and (point.name in named or point.equipment in headers or point.measurement in _WATER)
        ]  # fmt: skip

    def _sensor(self, name: str) -> Point:
        point = next((each for each in self._sensors() if each.name == name), None)
        if point is None:
            raise AskRefused("there is no such water temperature sensor", "point")
        return point

    def _row(self, point: Point) -> Body:
        compared = next((row for row in reversed(self._kept.lists["compared"]) if point.name in row["sensors"]), None)
        read = next((row for row in reversed(self._kept.lists["thermometer"]) if row["point"] == point.name), None)
        apart = None if compared is None else compared["sensors"][point.name]
        proposed_k = round(read["thermometer_c"] - read["sensor_c"], 3) if read else None
        change = round(proposed_k / point.unit.factor, DIGITS) if proposed_k is not None else None
        edits = () if change is None else (Edit(point.name, (("correction", f"{change:g}"),)),)
        lines = point_lines(Path(self._plant.folder), edits) if edits and change else ()
        return {
            "point": point.name, "label": point.label, "unit": point.unit.name, "accepted": point.correction,
            "accepted_words": offset_note(point), "apart_k": apart, "place": compared["place"] if compared else "",
            "compared_ms": compared["to_ms"] if compared else None, "middle_c": compared["middle_c"] if compared else None,
            "thermometer": read, "proposed_k": proposed_k, "proposed": change,
            "changes": [{"file": one.file, "number": one.number, "before": one.before, "after": one.after} for one in lines],
        }  # fmt: skip


_WATER: Final = frozenset({"chws_temp", "chwr_temp", "cws_temp", "cwr_temp", "leaving_temp", "entering_temp"})


def _celsius(value: object, unit: str) -> float:
    number = float(value) if isinstance(value, int | float) and not isinstance(value, bool) else math.nan
    if unit not in {"degC", "degF"} or not math.isfinite(number):
        raise AskRefused("a thermometer reading is a number in degC or degF", "value")
    read_c = number if unit == "degC" else (number - 32.0) / 1.8
    if not WATER_C[0] <= read_c <= WATER_C[1]:
        raise AskRefused(f"{number:g} {unit} is no temperature of plant water", "value")
    return read_c
