"""Faults of a simulated plant, and how they are written: ``kind:target[:amount][@start_s][+duration_s]``."""

from __future__ import annotations

import math
import re
from dataclasses import dataclass, field
from typing import Final

from plantview.model.plant import Plant


@dataclass(frozen=True, slots=True)
class FaultKind:
    """What a kind of fault befalls and what its amount means."""

    target: str
    """``pump``, ``chiller``, ``point`` or ``device``."""
    amount: str
    """Meaning of the amount; empty if it has none."""
    example: str
    normal: float = 0.0
    """Amount where none is given; NaN if one must be."""


FAULTS: Final[dict[str, FaultKind]] = {
    "pump-trip": FaultKind("pump", "", "pump-trip:CWP-2@120"),
    "stuck-sensor": FaultKind("point", "", "stuck-sensor:CH-1.chws_temp@60"),
    "sensor-bias": FaultKind("point", "added to the reading, in its unit", "sensor-bias:CH-1.chws_temp:+1.5@60+600", math.nan),
    "fouled-condenser": FaultKind("chiller", "share of heat transfer lost, 0 to 0.9", "fouled-condenser:CH-1:0.45", 0.45),
    "device-silent": FaultKind("device", "", "device-silent:BC-1@60+120"),
}
_FORM: Final = re.compile(
    r"(?P<kind>[a-z-]+):(?P<target>[^:@+]+(?::(?!\s*[-+.\d])[^@:+]+)?)"
    r"(?::(?P<amount>[-+]?\d*\.?\d+))?(?:@(?P<start>\d+(?:\.\d+)?))?(?:\+(?P<duration>\d+(?:\.\d+)?))?"
)


class UnknownFault(ValueError):
    """A fault that the simulator does not know or cannot place; the text says the remedy."""


@dataclass(slots=True)
class Fault:
    """Something that breaks for a while; its seconds count from the first time that anybody asks."""

    kind: str
    target: str
    amount: float = 0.0
    start_s: float = 0.0
    duration_s: float = math.inf
    _asked_ms: int | None = field(default=None, repr=False, compare=False)

    def active(self, at_ms: int) -> bool:
        """Return whether it is there at this plant time."""
        if self._asked_ms is None:
            self._asked_ms = at_ms
        elapsed_s = (at_ms - self._asked_ms) / 1_000
        return self.start_s <= elapsed_s < self.start_s + self.duration_s


def parse_fault(text: str) -> Fault:
    """Return the fault that a text means; UnknownFault says how to write it."""
    match = _FORM.fullmatch(text.strip())
    if match is None:
        raise UnknownFault(f"cannot read the fault '{text}': write kind:target[:amount][@start s][+duration s]; {_known()}")
    kind = FAULTS.get(match["kind"])
    if kind is None:
        raise UnknownFault(f"unknown fault '{match['kind']}' in '{text}'; {_known()}")
    if match["amount"] is not None and not kind.amount:
        raise UnknownFault(f"'{match['kind']}' has no amount: write it like {kind.example}")
    amount = kind.normal if match["amount"] is None else float(match["amount"])
    if math.isnan(amount):
        raise UnknownFault(f"'{text}' lacks its amount ({kind.amount}): write it like {kind.example}")
    if match["kind"] == "fouled-condenser" and not 0 <= amount <= 0.9:
        raise UnknownFault(f"'{text}': the amount is the {kind.amount}; write it like {kind.example}")
    start_s = float(match["start"] or 0)
    return Fault(match["kind"], match["target"], amount, start_s, float(match["duration"] or math.inf))


def place_fault(fault: Fault, plant: Plant) -> None:
    """Refuse a fault whose target the plant does not have (UnknownFault)."""
    kind = FAULTS.get(fault.kind)
    if kind is None:
        raise UnknownFault(f"unknown fault '{fault.kind}'; {_known()}")
    known = {
        "point": lambda: list(plant.points),
        "device": lambda: list(plant.devices),
    }.get(kind.target, lambda: [item.id for item in plant.of_kind(kind.target)])()
    if fault.target not in known:
        shown = ", ".join(known[:12]) + (", …" if len(known) > 12 else "")
        raise UnknownFault(f"{fault.kind}: the plant has no {kind.target} '{fault.target}'; use one of: {shown}")


def _known() -> str:
    return "known faults: " + ", ".join(f"{name} ({kind.example})" for name, kind in FAULTS.items())
