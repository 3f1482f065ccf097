"""Faults of a simulated plant, and how they are written: ``kind:target[:amount][@start_s][+duration_s]``."""

from __future__ import annotations

import math
import re
from dataclasses import dataclass, field
from pathlib import Path
from typing import Final

from plantview.model.plant import Plant
from plantview.simulator.fault_kinds import FAULTS, SWAPPED, WRONG_PIPE, FaultKind

__all__ = ["FAULTS", "Fault", "FaultKind", "UnknownFault", "faults_file", "parse_fault", "place_fault", "targets"]

_FORM: Final = re.compile(
    r"(?P<kind>[a-z-]+):(?P<target>[^:@+]+(?::(?!\s*[-+.\d])[^@:+]+)?)"
    r"(?::(?P<amount>[-+]?\d*\.?\d+))?(?:@(?P<start>\d+(?:\.\d+)?))?(?:\+(?P<duration>\d+(?:\.\d+)?))?"
)


FAULTS_IN_FILE_MAX: Final = 200
_TARGETS: Final = {
    "proof": "flow proof",
    "setpoint": "commandable point",
    "drive": "pump or fan",
    "bypass": "bypass with a valve",
}
_ONLY: Final[dict[str, tuple[str, ...]]] = {
    "sensors-swapped": tuple(SWAPPED),
    "sensor-in-wrong-pipe": tuple(WRONG_PIPE),
    "meter-rolls-over": ("energy",),
    "meter-replaced": ("energy", "run_hours"),
    "wrong-ct-ratio": ("power", "energy", "current"),
}
"""Kinds that make sense on some measurements only."""


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
        raise UnknownFault(
            f"cannot read the fault '{text}': write kind:target[:amount][@start s][+duration s]; {_known()}"
        )
    kind = FAULTS.get(match["kind"])
    if kind is None:
        raise UnknownFault(f"unknown fault '{match['kind']}' in '{text}'; {_known()}")
    if match["amount"] is not None and not kind.amount:
        raise UnknownFault(f"'{match['kind']}' has no amount: write it like {kind.example}")
    amount = kind.normal if match["amount"] is None else float(match["amount"])
    if math.isnan(amount):
        raise UnknownFault(f"'{text}' lacks its amount ({kind.amount}): write it like {kind.example}")
    low, high = kind.limits
    if not low <= amount <= high:
        raise UnknownFault(f"'{text}': the amount is the {kind.amount}; write it like {kind.example}")
    start_s = float(match["start"] or 0)
    return Fault(match["kind"], match["target"], amount, start_s, float(match["duration"] or math.inf))


def faults_file(path: Path) -> list[str]:
    """Return the faults of a file, one a line, ``#`` begins a remark; UnknownFault names the line that cannot be read."""
    try:
        lines = path.read_text(encoding="utf-8").splitlines()
    except (OSError, UnicodeDecodeError) as error:
        raise UnknownFault(f"cannot read the faults in {path}: {error}") from None
    found = []
    for number, line in enumerate(lines, 1):
        text = line.partition("#")[0].strip()
        if text:
            try:
                parse_fault(text)
            except UnknownFault as error:
                raise UnknownFault(f"{path}, line {number}: {error}") from None
            found.append(text)
    if len(found) > FAULTS_IN_FILE_MAX:
        raise UnknownFault(f"{path} has {len(found)} faults; a simulated plant takes at most {FAULTS_IN_FILE_MAX}")
    return found


def place_fault(fault: Fault, plant: Plant) -> None:
    """Refuse a fault whose target the plant does not have (UnknownFault)."""
    kind = FAULTS.get(fault.kind)
    if kind is None:
        raise UnknownFault(f"unknown fault '{fault.kind}'; {_known()}")
    known = targets(kind, plant)
    if fault.target not in known:
        shown = ", ".join(known[:12]) + (", …" if len(known) > 12 else "")
        raise UnknownFault(
            f"{fault.kind}: the plant has no {_TARGETS.get(kind.target, kind.target)} '{fault.target}'; use one of: {shown}"
        )


def targets(kind: FaultKind, plant: Plant) -> list[str]:
    """Return the names that a kind of fault can befall in this plant."""
    found = {
        "point": lambda: [point.name for point in plant.points.values() if not point.commandable or not point.states],
        "setpoint": lambda: [point.name for point in plant.points.values() if point.commandable],
        "proof": lambda: [
            f"{item.id}.{side}_flow_proof" for item in plant.of_kind("chiller") for side in ("chw", "cw")
        ],
        "bypass": lambda: [bypass.id for loop in plant.loops.values() for bypass in loop.bypasses if bypass.via],
        "drive": lambda: [item.id for name in ("pump", "fan") for item in plant.of_kind(name)],
        "device": lambda: list(plant.devices),
    }.get(kind.target, lambda: [item.id for item in plant.of_kind(kind.target)])()
    return [name for name in found if _fits(kind, name)]


def _fits(kind: FaultKind, name: str) -> bool:
    """Return whether a point is of the sort that the example of its kind shows, where it matters."""
    wanted = _ONLY.get(kind.example.partition(":")[0])
    return wanted is None or name.rpartition(".")[2].startswith(wanted)


def _known() -> str:
    return "known faults: " + ", ".join(f"{name} ({kind.example})" for name, kind in FAULTS.items())
