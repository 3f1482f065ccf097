"""A point: one value of one device, tied to one measurement of one piece of equipment."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

from plantview.units import Unit


@dataclass(frozen=True, slots=True)
class BacnetAddress:
    """An object in a BACnet device; its present-value is read."""

    object_type: str
    """As the standard writes it: ``analog-input``."""
    instance: int

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
    """``uint16 int16 uint32 int32 uint64 int64 float32 float64`` or ``bit:N``."""
    order: str
    """Byte order by example: ABCD big, CDAB word-swapped, BADC byte-swapped, DCBA little."""
    scale: float
    offset: float
    not_available: tuple[int, ...]
    """Raw values that mean "no data", before scaling."""

    @property
    def count(self) -> int:
        """Return how many registers or bits it takes."""
        if self.table in {"coil", "discrete"} or self.kind.startswith("bit:"):
            return 1
        return int(self.kind.lstrip("uintfloa")) // 16

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
