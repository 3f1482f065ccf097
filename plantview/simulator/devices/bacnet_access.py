"""What an outsider may write to a simulated controller, and what then happens to the plant.

The controller's own command is the relinquish default of a commandable object, not an entry in
its priority array: the array is empty in normal operation, so an entry always means that
somebody from outside holds the point, at whatever priority, and releasing it gives the
point back. While a priority stands the relinquish default keeps the last own command.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from typing import Any, Final

from bacpypes3.basetypes import PropertyIdentifier, Reliability
from bacpypes3.errors import PropertyError
from bacpypes3.local.cmd import Commandable
from bacpypes3.primitivedata import Null
from typing_extensions import override

WRITABLE: Final = frozenset({"presentValue", "outOfService", "covIncrement"})
PRIORITIES: Final = range(1, 17)

Content = Any
"""A property's content: the protocol stack has no type information."""
Accepts = Callable[[float], bool]
Command = Callable[[float | None], None]


def _name(attr: int | str) -> str:
    return attr if isinstance(attr, str) else str(PropertyIdentifier(attr).attr)


class Guarded:
    """Refuses writes to everything that a technician cannot change over the network."""

    _writable: frozenset[str] = frozenset()

    async def write_property(
        self, attr: int | str, value: Content, index: int | None = None, priority: int | None = None
    ) -> None:
        """Write one property, or raise the PropertyError that the service answers with."""
        if _name(attr) not in self._writable:
            raise PropertyError("writeAccessDenied")
        await super().write_property(_name(attr), value, index, priority)  # type: ignore[misc]


class Shown(Guarded):
    """An object that shows a value of the plant; its present value can be written out of service only."""

    _writable = WRITABLE
    _faulty = False
    _decoupled = False
    _taken: float | None = None
    """Plain copies of what the object holds: reading a property of the stack costs a hundred times more."""
    presentValue: Any  # noqa: N815 - properties bear the names of the standard
    outOfService: Any  # noqa: N815
    reliability: Any
    objectIdentifier: Any  # noqa: N815
    _elements: Any
    _property_monitors: Any

    @override
    async def write_property(
        self, attr: int | str, value: Content, index: int | None = None, priority: int | None = None
    ) -> None:
        """Write one property, or raise the PropertyError that the service answers with."""
        if _name(attr) == "presentValue" and not self._decoupled:
            raise PropertyError("writeAccessDenied")
        await super().write_property(attr, value, index, priority)
        self._decoupled = bool(self.outOfService)
        self._taken = None

    @property
    def faulty(self) -> bool:
        """Whether the sensor is gone."""
        return self._faulty

    @property
    def decoupled(self) -> bool:
        """Whether it is out of service: what it shows is not the plant."""
        return self._decoupled

    def show(self, value: float) -> None:
        """Take over what the plant reports; NaN means that there is no sensor any more."""
        if self._decoupled or value == self._taken:
            return
        faulty = not math.isfinite(value)
        if faulty != self._faulty:
            self._faulty = faulty
            self.reliability = Reliability.noSensor if faulty else Reliability.noFaultDetected
        if not faulty:
            self._take(value)

    def _take(self, value: float) -> None:
        self._taken = value
        if self._property_monitors["presentValue"]:
            self.presentValue = value  # somebody subscribed to changes
        else:
            object.__setattr__(self, "presentValue", self._elements["presentValue"](value))


class Commanded(Shown, Commandable):  # type: ignore[misc]
    """An object with a priority array whose winner commands the plant."""

    _held = False
    _accepts: Accepts
    _command: Command
    relinquishDefault: Any  # noqa: N815

    @override
    async def write_property(
        self, attr: int | str, value: Content, index: int | None = None, priority: int | None = None
    ) -> None:
        """Write one property; a changed winner of the priority array reaches the plant."""
        if _name(attr) == "presentValue":
            self._check(value, priority)
            await Commandable.write_property(self, "presentValue", value, index, priority)
            self._held = any(entry.null is None for entry in self.priorityArray)
            self._taken = None
        else:
            await super().write_property(attr, value, index, priority)
        if not self._decoupled:  # out of service, the object no longer acts on the plant
            self._command(self.held())

    def bind(self, accepts: Accepts, command: Command) -> None:
        """Connect it to the plant: which values it takes, and who obeys."""
        self._accepts = accepts
        self._command = command
        self.recalculating()

    def held(self) -> float | None:
        """Return what an outsider commands, None when all priorities are released."""
        return float(self.presentValue) if self._held else None

    def _check(self, value: Content, priority: int | None) -> None:
        released = isinstance(value, Null)
        if priority is not None and priority not in PRIORITIES:
            raise PropertyError("valueOutOfRange")
        if not released and not self._accepts(float(value)):
            raise PropertyError("valueOutOfRange")

    @override
    def _take(self, value: float) -> None:
        if not self._held:
            self._taken = value
            self.relinquishDefault = value
            self.recalculating()
