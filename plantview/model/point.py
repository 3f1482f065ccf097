"""A point: one value of one device, tied to one measurement of one piece of equipment."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Final

from plantview.model.accuracy import UNKNOWN, Accuracy
from plantview.units import Unit

REGISTERS_OF: Final[Mapping[str, int]] = {
    "uint16": 1, "int16": 1, "bcd16": 1, "uint32": 2, "int32": 2, "float32": 2, "bcd32": 2,
    "uint64": 4, "int64": 4, "float64": 4,
}  # fmt: skip
"""Registers of each Modbus type of fixed size; a bcd register holds four decimal digits."""


@dataclass(frozen=True, slots=True)
class BacnetAddress:
    """An object in a BACnet device; its present-value is read."""

    object_type: str
    """As the standard writes it: ``analog-input``."""
    instance: int
    cov: bool = False
    """The device is asked to tell changes at once; the object is polled all the same."""
    trend_log: int | None = None
    """Instance of the device's own log of this object, read after an outage."""

    def __str__(self) -> str:
        """Return the address as the point list writes it."""
        return f"{self.object_type},{self.instance}"


@dataclass(frozen=True, slots=True)
class ModbusAddress:
    """A value in a Modbus device's map, addressed as sent on the wire, counting from 0."""

    table: str
    """``holding``, ``input``, ``coil`` or ``discrete``."""
    first: int
    kind: str
    """A key of ``REGISTERS_OF``, or ``bit:N``, ``bits:A-B``, ``mod10k:N`` and ``string:N`` (N registers)."""
    order: str
    """Byte order by example: ABCD big, CDAB word-swapped, BADC byte-swapped, DCBA little."""
    scale: float
    offset: float
    not_available: tuple[int, ...]
    """Raw values that mean "no data", before scaling."""
    over: tuple[int, ...] = ()
    """Raw values that mean "above what the device can say"."""
    under: tuple[int, ...] = ()
    scale_register: int | None = None
    """Register of the same table whose int16 N multiplies the value by 10**N."""

    @property
    def count(self) -> int:
        """Return how many registers or bits the value itself takes."""
        kind, _, number = self.kind.partition(":")
        if self.table in {"coil", "discrete"} or kind in {"bit", "bits"}:
            return 1
        return REGISTERS_OF[kind] if kind in REGISTERS_OF else int(number)

    @property
    def reach(self) -> tuple[int, int]:
        """Return first and end of what one request must bring: the value, and the register that scales it."""
        first, end = self.first, self.first + self.count
        if self.scale_register is None:
            return first, end
        return min(first, self.scale_register), max(end, self.scale_register + 1)

    def __str__(self) -> str:
        """Return the address as the point list writes it."""
        return f"{self.table} {self.first}"


@dataclass(frozen=True, slots=True)
class Point:
    """One row of the point list."""

    name: str
    """``<equipment or header>.<measurement>``, unique in the plant."""
    equipment: str
    measurement: str
    quantity: str
    unit: Unit
    """The unit that the device reports; history keeps numbers in it."""
    device: str
    address: BacnetAddress | ModbusAddress
    period_s: float
    states: Mapping[int, str]
    """For a state: number -> word (0 OFF, 1 RUN). Empty for analog values."""
    low: float
    high: float
    """Physical range in the reported unit; beyond it a reading is BAD."""
    label: str
    """In trade words: ``leaving chilled water (CHWS)``."""
    description: str
    commandable: bool
    accuracy: Accuracy = UNKNOWN
    """How far it may be off; what its row declares, else our own choice for its quantity."""
    correction: float = 0.0
    """Accepted offset, in the reported unit, added to what the device reports; ``unit`` has it in its offset already,
    so that history keeps the number as reported and everything worked out or shown has it added."""
