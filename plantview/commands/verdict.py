"""What a reading says about an override: whose value stands there, and whether it has the effect that was meant."""

from __future__ import annotations

import math
import struct
from dataclasses import dataclass

from plantview.commands.override import Override, Result
from plantview.commands.table import Event, State
from plantview.drivers.look import Look

MINIMUM_SLOT = 6
"""Where a device keeps a minimum on or off time (ANSI/ASHRAE 135, clause 19.2.3, from memory)."""


def same(one: float | None, other: float | None) -> bool:
    """Return whether two values are one and the same on the wire: a BACnet Real has 24 bits."""
    if one is None or other is None:
        return one is other
    return one == other or _single(one) == _single(other)


def _single(value: float) -> float:
    try:
        return float(struct.unpack(">f", struct.pack(">f", value))[0])
    except OverflowError:
        return math.inf


def ours_at(override: Override | None, priority: int, held: float) -> bool:
    """Return whether what stands at a priority is the value of an override of ours."""
    return override is not None and override.priority == priority and same(held, override.value)


def found(override: Override, look: Look) -> Event:
    """Return whose value stands where ours should.

    Where our value and the one to be restored are the same, nothing is to be undone: a release finds it empty.
    """
    priority = override.priority
    there = look.value if priority is None else look.slot(priority)
    if priority is None:
        empty = same(there, override.restore)
        first = override.state is State.RELEASING and empty
    else:
        empty, first = there is None, False
    if not first and same(there, override.value):
        return Event.FOUND_OURS
    if empty:
        return Event.FOUND_EMPTY
    if override.prior is not None and same(there, override.prior):
        return Event.FOUND_PRIOR
    return Event.FOUND_FOREIGN


@dataclass(frozen=True, slots=True)
class Seen:
    """A result with its detail in words."""

    result: Result
    detail: str = ""


def judged(override: Override, look: Look) -> Seen:
    """Return what is known about an override whose value stands where it should."""
    winner = look.winner
    if override.priority is not None and winner is not None and winner < override.priority:
        if winner == MINIMUM_SLOT and (look.minimum_off_s or look.minimum_on_s):
            left_s = look.minimum_left_s
            most_s = max(look.minimum_off_s, look.minimum_on_s)
            until = f"for at most {most_s:.0f} s" if left_s is None else f"for another {left_s:.0f} s"
            until = f"a minimum time of the device runs {until}"
            return Seen(Result.PENDING_MIN_ONOFF, until)
        return Seen(Result.ACCEPTED_NOT_EFFECTIVE, f"priority {winner} wins")
    if same(look.value, override.value):
        return Seen(Result.VERIFIED)
    shown = "nothing" if look.value is None else f"{look.value:g}"
    where = "out of service" if look.out_of_service else "in hand" if look.overridden else "no higher priority wins"
    return Seen(Result.MISMATCH, f"the device shows {shown} ({where})")
