"""What a device answered for a point, as a reading: number, quality, and the reason in the crew's words."""

from __future__ import annotations

import math
from math import isfinite
from typing import Final

from plantview.drivers.bacnet_codec import FAULT, OUT_OF_SERVICE, OVERRIDDEN, Answer
from plantview.drivers.exchange import NoValue
from plantview.drivers.modbus_decode import INFINITE, NOT_A_NUMBER
from plantview.model.point import Point
from plantview.model.quality import Quality
from plantview.model.reading import Reading, bad, good

OUT_OF_SERVICE_TEXT: Final = "out of service at the device (TEST)"
IN_HAND_TEXT: Final = "in hand at the device"


def reading_of(point: Point, value: float | NoValue, at_ms: int) -> Reading:
    """Return GOOD, or BAD where the number cannot be one of this point."""
    if value.__class__ is float and not point.states and point.low <= value <= point.high and isfinite(value):
        return good(value, at_ms)  # nearly every reading of every sweep
    if isinstance(value, NoValue):
        return bad(value.why, at_ms)
    wrong = _wrong_number(point, value)
    return bad(wrong, at_ms) if wrong else good(value, at_ms)


def bacnet_reading(point: Point, answer: Answer, reliability: str, at_ms: int) -> Reading:
    """Return the reading with the device's own status flags honoured."""
    if isinstance(answer.value, NoValue):
        return bad(answer.value.why, at_ms)
    if answer.flags & OUT_OF_SERVICE:
        return bad(OUT_OF_SERVICE_TEXT, at_ms)
    if answer.flags & FAULT:
        return bad(f"fault at the device: {reliability}", at_ms)
    reading = reading_of(point, answer.value, at_ms)
    if answer.flags & OVERRIDDEN and reading.usable:
        return Reading(reading.value, Quality.UNCERTAIN, IN_HAND_TEXT, at_ms)
    return reading


def _wrong_number(point: Point, value: float) -> str:
    if math.isnan(value):
        return NOT_A_NUMBER.why
    if math.isinf(value):
        return INFINITE.why
    if point.states and value not in point.states:
        return f"unknown state {value:g}"
    return "" if point.low <= value <= point.high else _out_of_range(point, value)


def _out_of_range(point: Point, value: float) -> str:
    behind = f" {point.unit.label}" if point.unit.label else ""
    if math.isinf(point.low) or math.isinf(point.high):
        beyond = f"below {point.low:g}" if value < point.low else f"above {point.high:g}"
        return f"{value:g}{behind} is {beyond}{behind}"
    return f"{value:g}{behind} is outside {point.low:g}..{point.high:g}{behind}"
