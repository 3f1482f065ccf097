"""What a device itself considers to be in alarm: the states it judged, not ours."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

NORMAL: Final = "normal"
TO_OFFNORMAL, TO_FAULT, TO_NORMAL = "to-offnormal", "to-fault", "to-normal"
TRANSITIONS: Final = (TO_OFFNORMAL, TO_FAULT, TO_NORMAL)
"""In the order of BACnet's acknowledgement bits, time stamps and priorities (ANSI/ASHRAE 135 clause 13.12, from memory)."""


@dataclass(frozen=True, slots=True)
class Transition:
    """The last time an object went one of three ways, as its device tells it."""

    word: str
    """One of ``TRANSITIONS``."""
    acknowledged: bool
    """False while the device waits for somebody to acknowledge it."""
    enabled: bool
    """Whether the device reports this way at all."""
    priority: int
    """0 most urgent to 255 least; BACnet's own scale."""
    local_ms: int | None = None
    """When, by the device's clock [ms, its local time as if it were UTC]; None if it never was, or is not told as a date."""
    at_ms: int | None = None
    """The same in UTC [ms], corrected by the clock offset; None while either is unknown."""
    sequence: int | None = None
    """Counter in place of a time, where the device stamps with one."""


@dataclass(frozen=True, slots=True)
class DeviceEvent:
    """An object that its own device considers to be in alarm, or whose return nobody acknowledged."""

    device: str
    object_name: str
    """``analog-input,3``."""
    state: str
    """``high-limit``, ``fault``, ``normal``…"""
    notify: str
    """``alarm``, ``event``…"""
    transitions: tuple[Transition, ...]
    """Three, in the order of ``TRANSITIONS``."""
    clock_offset_ms: int | None = None
    """The device's clock minus ours when its times were corrected; None if unknown: then ``at_ms`` is too."""
    watches: str = ""
    """Of an object that watches another one: that other one, ``analog-input,7``; empty if unknown, or itself."""

    @property
    def active(self) -> bool:
        """Tell whether the object is off its normal state."""
        return self.state != NORMAL

    @property
    def unacknowledged(self) -> tuple[str, ...]:
        """Return the transitions that nobody acknowledged."""
        return tuple(one.word for one in self.transitions if not one.acknowledged)

    @property
    def latest(self) -> Transition | None:
        """Return the transition that led to the present state; None if the device does not stamp it."""
        went = TO_NORMAL if not self.active else TO_FAULT if self.state == "fault" else TO_OFFNORMAL
        return next((one for one in self.transitions if one.word == went), None)
