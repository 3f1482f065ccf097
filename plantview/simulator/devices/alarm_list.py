"""Which points of a controller raise alarms of the controller's own, and where their limits lie.

Limits are in canonical units (degC, K, m, uS/cm); starting values are common practice, no source.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from typing import Final

from plantview.model.plant import Plant
from plantview.model.point import BacnetAddress, Point
from plantview.simulator.conversions import scale

ALARM_CLASS: Final = 1
"""Notification class whose transitions to off-normal and to fault want an acknowledgement."""
EVENT_CLASS: Final = 2
"""Notification class of what is only worth knowing."""
NOT_AUTO: Final = ("HAND", "OFF")


@dataclass(frozen=True, slots=True)
class Limits:
    """OUT_OF_RANGE with limits as numbers, or FLOATING_LIMIT with differences from a setpoint."""

    low: float
    high: float
    deadband: float
    delay_s: int
    delay_normal_s: int
    setpoint: str = ""
    """Measurement of the setpoint at the same equipment; empty for limits that stand still."""


@dataclass(frozen=True, slots=True)
class States:
    """CHANGE_OF_STATE: the words that are alarms."""

    words: tuple[str, ...]
    delay_s: int
    delay_normal_s: int
    event: bool = False


@dataclass(frozen=True, slots=True)
class Follows:
    """COMMAND_FAILURE: the measurement that must follow the command."""

    feedback: str
    delay_s: int
    delay_normal_s: int


Row = Limits | States | Follows

LIMITS: Final[Mapping[tuple[str, str], Row]] = {
    ("tower_cell", "leaving_temp"): Limits(4.0, 38.0, 1.0, 120, 60),
    ("basin", "level"): Limits(0.25, 0.9, 0.02, 60, 60),
    ("basin", "conductivity"): Limits(200.0, 2_400.0, 50.0, 300, 60),
    ("basin", "low_level"): States(("LOW",), 10, 10),
    ("header", "temp"): Limits(2.5, 2.5, 0.3, 600, 60, setpoint="setpoint"),
    ("pump", "command"): Follows("status", 30, 0),
    ("fan", "command"): Follows("status", 60, 0),
    ("pump", "hand_off_auto"): States(NOT_AUTO, 60, 0, event=True),
    ("fan", "hand_off_auto"): States(NOT_AUTO, 60, 0, event=True),
    ("pump", "drive_fault"): States(("FAULT",), 5, 5),
    ("fan", "drive_fault"): States(("FAULT",), 5, 5),
    ("fan", "vibration_trip"): States(("TRIP",), 0, 5),
    ("chiller", "fault"): States(("FAULT",), 0, 5),
}
"""By kind of equipment and measurement."""

MINIMUM_TIMES: Final[Mapping[tuple[str, str], tuple[int, int]]] = {("fan", "command"): (60, 120)}
"""Seconds on and off by kind and measurement: tower fans start no more often (common practice, no source)."""

ANALOG: Final = frozenset({"analog-input", "analog-output", "analog-value"})
STATED: Final[Mapping[str, type[Row]]] = {
    "binary-input": States,
    "binary-value": States,
    "multi-state-input": States,
    "multi-state-value": States,
    "binary-output": Follows,
}
"""The event algorithm that each of the standard's object types has built in."""


_DIFFERENCES: Final = {"degF": ("temperature_difference", "delta_degF"), "degC": ("temperature_difference", "K")}


def kind_of(plant: Plant, point: Point) -> str:
    """Return the kind of what a point belongs to; ``header`` for a place in the piping."""
    return plant.equipment[point.equipment].kind if point.equipment in plant.equipment else "header"


def alarm_row(plant: Plant, point: Point) -> Row | None:
    """Return what a point's object watches, if its type can and the controller has all that it takes."""
    row = LIMITS.get((kind_of(plant, point), point.measurement))
    if row is None or not isinstance(point.address, BacnetAddress):
        return None
    fits = (
        point.address.object_type in ANALOG
        if isinstance(row, Limits)
        else type(row) is STATED.get(point.address.object_type)
    )
    other = row.setpoint if isinstance(row, Limits) else row.feedback if isinstance(row, Follows) else ""
    return row if fits and (not other or _beside(plant, point, other)) else None


def partner(plant: Plant, point: Point, measurement: str) -> Point:
    """Return another point of the same equipment."""
    return plant.points[f"{point.equipment}.{measurement}"]


def in_unit(point: Point, row: Limits) -> Limits:
    """Return limits in the unit that the point reports; deadbands and floating limits are differences."""
    value = scale(point.quantity, point.unit.name)
    span = scale(*_DIFFERENCES.get(point.unit.name, (point.quantity, point.unit.name)))
    limit = span if row.setpoint else value
    low, high, deadband = limit.reported(row.low), limit.reported(row.high), span.reported(row.deadband)
    return replace(row, low=low, high=high, deadband=deadband)


def alarm_values(point: Point, row: States) -> list[int]:
    """Return the numbers of the words that are alarms."""
    return [number for number, word in point.states.items() if word.upper() in row.words]


def _beside(plant: Plant, point: Point, measurement: str) -> bool:
    other = plant.points.get(f"{point.equipment}.{measurement}")
    return other is not None and other.device == point.device
