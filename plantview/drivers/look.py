"""What a device shows about one point that is to be commanded: plain values, whichever protocol brought them."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Any

PRIORITIES = 16


@dataclass(frozen=True, slots=True)
class Look:
    """One fresh answer of a device about one point, in the point's reported unit."""

    value: float | None
    """Present value; None where the device gives no number."""
    raw: tuple[int, ...] = ()
    """Modbus: the registers as read."""
    slots: tuple[float | None, ...] | None = None
    """BACnet: the sixteen priorities, None for an empty one; None as a whole where the object has no priority array."""
    relinquish_default: float | None = None
    fault: bool = False
    overridden: bool = False
    """Hand switch or the like at the device: what the network says has no effect."""
    out_of_service: bool = False
    low: float | None = None
    high: float | None = None
    """The device's own limits of the present value."""
    units: str = ""
    """BACnet's word for its engineering unit; empty where the object has none."""
    minimum_off_s: float = 0.0
    minimum_on_s: float = 0.0
    minimum_left_s: float | None = None
    """How long slot 6 still keeps a minimum time; None where that is not known."""
    held_by: tuple[str, ...] = ()
    """By priority: who holds it, as far as the device says; empty texts else."""
    held_since: tuple[str, ...] = ()
    """By priority: the device's own local time of the last command; empty texts else."""

    @property
    def sticky(self) -> bool:
        """Return whether a write stays until something else is written: there is no slot that could be released."""
        return self.slots is None

    @property
    def winner(self) -> int | None:
        """Return the priority that rules the present value; None for the relinquish default, or where there is no array."""
        return next((at for at, held in enumerate(self.slots or (), 1) if held is not None), None)

    def slot(self, priority: int) -> float | None:
        """Return what a priority holds."""
        return None if self.slots is None else self.slots[priority - 1]

    def below(self, priority: int) -> float | None:
        """Return what takes over once a priority is released: the next one held, else the relinquish default."""
        others = (held for at, held in enumerate(self.slots or (), 1) if held is not None and at != priority)
        return next(others, self.relinquish_default)


def slot_rows(look: Look, ours: Callable[[int, float], bool]) -> list[dict[str, Any]]:
    """Return the priorities that are held, with who holds them as far as anybody knows.

    ``ours`` says of a priority and what it holds whether this program wrote it.
    """
    return [
        {
            "priority": at, "value": held if held == held else None, "winner": at == look.winner,  # noqa: PLR0124 - NaN
            "ours": ours(at, held), "by": holder(look, at),
            "since": look.held_since[at - 1] if look.held_since else "",
        }
        for at, held in enumerate(look.slots or (), 1)
        if held is not None
    ]  # fmt: skip


def holder(look: Look, priority: int) -> str:
    """Return who holds a priority, in words also where the device does not say."""
    return (look.held_by[priority - 1] if look.held_by else "") or "another writer, unknown to the device"
