"""What an outsider may write to a simulated controller, and what its objects show."""

from __future__ import annotations

import math
from collections.abc import Callable
from typing import Any, Final

from bacpypes3.basetypes import PropertyIdentifier, Reliability, StatusFlags
from bacpypes3.errors import PropertyError
from typing_extensions import override

IN_ALARM, FAULT, OVERRIDDEN, OUT_OF_SERVICE = 0x80, 0x40, 0x20, 0x10
"""Status flags as the bits of their octet."""
ALARM_SETTINGS: Final = frozenset(
    {
        "highLimit",
        "lowLimit",
        "deadband",
        "limitEnable",
        "timeDelay",
        "timeDelayNormal",
        "eventEnable",
        "eventDetectionEnable",
    }
)
WRITABLE: Final = frozenset({"presentValue", "outOfService", "covIncrement", *ALARM_SETTINGS})

Content = Any
"""A property's content: the protocol stack has no type information."""
Settled = Callable[[], None]


def computed(read: Callable[[Any], Content]) -> property:
    """Return a property that follows from what happens; the stack's setting it once is ignored."""
    return property(read, lambda _object, _value: None, doc=read.__doc__)


def property_name(attr: int | str) -> str:
    """Return a property's name as the stack's attributes bear it."""
    return attr if isinstance(attr, str) else str(PropertyIdentifier(attr).attr)


def status_flags(octet: int) -> StatusFlags:
    """Return flags as the stack writes them."""
    return StatusFlags([octet >> bit & 1 for bit in (7, 6, 5, 4)])


class Guarded:
    """Refuses writes to everything that a technician cannot change over the network."""

    _writable: frozenset[str] = frozenset()

    async def write_property(
        self, attr: int | str, value: Content, index: int | None = None, priority: int | None = None
    ) -> None:
        """Write one property, or raise the PropertyError that the service answers with."""
        if property_name(attr) not in self._writable:
            raise PropertyError("writeAccessDenied")
        await super().write_property(property_name(attr), value, index, priority)  # type: ignore[misc]


class Shown(Guarded):
    """An object that shows a value of the plant; its present value can be written out of service only."""

    _writable = WRITABLE
    _flags = 0
    _taken: float | None = None
    """Plain copies of what the object holds: reading a property of the stack costs a hundred times more."""
    _settled: Settled | None = None
    """Told when somebody changed what its alarm depends on."""
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
        name = property_name(attr)
        if name in ALARM_SETTINGS and getattr(self, name, None) is None:
            raise PropertyError("unknownProperty")
        if name == "presentValue" and not self.decoupled:
            raise PropertyError("writeAccessDenied")
        await super().write_property(name, value, index, priority)
        self.flag(OUT_OF_SERVICE, bool(self.outOfService))
        self._taken = None
        if name in ALARM_SETTINGS and self._settled:
            self._settled()

    @computed
    def statusFlags(self) -> StatusFlags:  # noqa: N802
        """Return the four flags, in alarm first."""
        return status_flags(self._flags)

    @property
    def flags(self) -> int:
        """Return the status flags as their octet."""
        return self._flags

    @property
    def faulty(self) -> bool:
        """Whether the sensor is gone."""
        return bool(self._flags & FAULT)

    @property
    def decoupled(self) -> bool:
        """Whether it is out of service: what it shows is not the plant."""
        return bool(self._flags & OUT_OF_SERVICE)

    def flag(self, which: int, on: bool) -> None:
        """Raise or lower one status flag; subscribers hear of it."""
        flags = self._flags | which if on else self._flags & ~which
        if flags == self._flags:
            return
        self._flags = flags
        for monitor in self._property_monitors["statusFlags"]:  # the stack itself notices no flag
            monitor(None, self.statusFlags)

    def watch_settings(self, settled: Settled) -> None:
        """Have ``settled`` called when somebody changed the settings of its alarm."""
        self._settled = settled

    def value(self) -> float:
        """Return the present value."""
        return float(object.__getattribute__(self, "presentValue"))

    def show(self, value: float) -> None:
        """Take over what the plant reports; NaN means that there is no sensor any more."""
        if self.decoupled or value == self._taken:
            return
        faulty = not math.isfinite(value)
        if faulty != self.faulty:
            self.reliability = Reliability.noSensor if faulty else Reliability.noFaultDetected
            self.flag(FAULT, faulty)
            self._taken = None  # or the same value after the fault would pass for no news
        if not faulty:
            self._take(value)

    def _take(self, value: float) -> None:
        self._taken = value
        if self._property_monitors["presentValue"]:
            self.presentValue = value  # somebody subscribed to changes
        else:
            object.__setattr__(self, "presentValue", self._elements["presentValue"](value))
