"""Whatever has a value over time: a point that is polled, or a derived value."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

from plantview.model.point import Point
from plantview.units import Unit


@dataclass(frozen=True, slots=True)
class Signal:
    """What a page, a trend or an alarm needs to know about a value besides its reading."""

    name: str
    equipment: str
    """Equipment or header id, a bypass id, or ``PLANT``."""
    measurement: str
    quantity: str
    unit: Unit
    """Unit of its readings."""
    label: str
    states: Mapping[int, str]
    period_s: float
    device: str
    """Empty for a derived value."""
    address: str
    inputs: tuple[str, ...]
    """Names of the signals that a derived value was made from."""
    note: str
    """Boundary or method of a derived value; description of a point."""

    @property
    def derived(self) -> bool:
        """Return whether it is calculated and not read."""
        return not self.device


def signal_of(point: Point) -> Signal:
    """Return the signal of a polled point."""
    return Signal(
        point.name,
        point.equipment,
        point.measurement,
        point.quantity,
        point.unit,
        point.label,
        point.states,
        point.period_s,
        point.device,
        str(point.address),
        (),
        "; ".join(filter(None, (point.description, offset_note(point)))),
    )


def offset_note(point: Point) -> str:
    """Return in words the accepted offset of a sensor; empty where it has none."""
    if not point.correction:
        return ""
    unit = {"degC": "K", "degF": "°F"}.get(point.unit.name, point.unit.label)
    return f"shown with an accepted offset of {point.correction:+g} {unit}; the device reports it without"
