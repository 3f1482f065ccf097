"""Proposes equipment and measurement for what a device holds, with confidence and reason, for a person to accept."""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Final

from plantview.model.measurements import measurement
from plantview.surveying.measuring import IN, OUT, STATE, Reading, fitting
from plantview.surveying.naming import Named, equipment, meant, unknown
from plantview.surveying.unit_words import UNLABELLED, our_unit, quantities_of

SURE: Final = 0.95
"""Never 1: a person accepts it."""
PROPOSED_FROM: Final = 0.4
"""Below it nothing is proposed."""
CLAIMED_TWICE: Final = 0.5
_BY_QUANTITY: Final = {
    "temperature": "temp",
    "flow": "flow",
    "power": "power",
    "energy": "energy",
    "percent": "percent",
    "humidity": "humidity",
    "frequency": "speed",
    "hours": "hours",
    "length": "level",
    "velocity": "vibration",
    "conductivity": "conductivity",
    "concentration": "ppm",
    "pressure_difference": "pressure",
    "current": "current",
}
_MEASURED: Final = frozenset(_BY_QUANTITY.values()) - {"percent", "level", "vibration", "ppm", "speed", "current"}
"""Meanings that a unit confirms or contradicts."""
_STATES: Final = ("binary", "multi-state")


@dataclass(frozen=True, slots=True)
class Seen:
    """What is known of one object when it is to be named."""

    name: str
    description: str
    kind: str
    """Object type: ``analog-input``."""
    unit: str
    """BACnet's word."""
    states: tuple[str, ...] = ()
    value: float | None = None


@dataclass(frozen=True, slots=True)
class Suggestion:
    """A proposal; empty equipment means that none is made."""

    equipment: str
    measurement: str
    confidence: float
    reason: str


def suggest(seen: Seen) -> Suggestion:
    """Return what an object probably is."""
    text = f"{seen.name} {seen.description}"
    named = equipment(seen.name, seen.description)
    if not named.id:
        return Suggestion("", "", 0.0, named.why)
    state = seen.kind.startswith(_STATES)
    said = meant(text)
    meanings = said | ({STATE} if state else set()) | _from_unit(seen)
    way = OUT if seen.kind.endswith("-output") else IN if seen.kind.endswith("-input") else ""
    fits = sorted(fitting(named.kind, meanings, way), key=lambda one: -one[1])
    if not fits:
        return Suggestion("", "", 0.0, f"{named.why}, but none of its measurements in the words")
    reading, explained = fits[0]
    rivals = {other.measurement for other, also in fits[1:] if also == explained} - {reading.measurement}
    confidence, doubts = _confidence(seen, named, reading, said, sorted(rivals))
    if confidence < PROPOSED_FROM:
        return Suggestion("", "", confidence, f"{named.why}; too little to go by: {'; '.join(doubts)}")
    found = measurement(named.kind, reading.measurement)
    label = found.label if found else reading.measurement
    return Suggestion(
        named.id,
        reading.measurement,
        confidence,
        f"{named.why}; {label}{_because(seen)}" + "".join(f"; but {doubt}" for doubt in doubts),
    )


def suggest_all(seen: Sequence[Seen]) -> list[Suggestion]:
    """Return a suggestion per object; what two objects seem to be is doubted for both."""
    found = [suggest(one) for one in seen]
    claims = Counter((one.equipment, one.measurement) for one in found if one.equipment)
    return [
        replace(
            one,
            confidence=min(one.confidence, CLAIMED_TWICE),
            reason=f"{one.reason}; but {times} objects seem to be this",
        )
        if (times := claims[one.equipment, one.measurement]) > 1
        else one
        for one in found
    ]


def _from_unit(seen: Seen) -> set[str]:
    quantities = quantities_of(our_unit(seen.unit))
    found = {_BY_QUANTITY[one] for one in quantities if one in _BY_QUANTITY}
    if seen.unit == "percent":
        found.discard("humidity")  # a plain percent says nothing about air
    if seen.unit == "percent-relative-humidity":
        found.discard("percent")
    if seen.unit in {"minutes", "seconds"}:
        found.add("timer")
    return found - {"level"} if seen.unit in {"millimeters", "inches"} and "basin" not in seen.name.lower() else found


def _confidence(
    seen: Seen, named: Named, reading: Reading, said: set[str], rivals: list[str]
) -> tuple[float, list[str]]:
    doubts = []
    confidence = SURE * named.sure
    found = measurement(named.kind, reading.measurement)
    if found and not seen.kind.startswith(_STATES) and not {"state", "count"} & set(found.quantities):
        if seen.unit in UNLABELLED:
            confidence -= 0.12
            doubts.append("it has no unit")
        elif not quantities_of(our_unit(seen.unit)) & set(found.quantities) and not _turning(seen, reading):
            confidence -= 0.4
            doubts.append(f"its unit {seen.unit} does not fit")
    if rivals:
        confidence -= 0.2
        doubts.append(f"it may also be {', '.join(rivals)}")
    measured = said & _MEASURED
    if (
        seen.unit not in UNLABELLED
        and measured
        and not measured & _from_unit(seen)
        and not seen.kind.startswith(_STATES)
    ):
        confidence -= 0.15
        doubts.append(f"its words speak of {', '.join(sorted(measured))}")
    strange = unknown(seen.description) or unknown(seen.name)
    if strange:
        confidence -= min(0.03 * len(strange), 0.09)
    if not any(need & said for need in reading.needs):
        confidence -= 0.1
        doubts.append("only its unit says what it measures")
    return round(max(confidence, 0.0), 2), doubts


def _turning(seen: Seen, reading: Reading) -> bool:
    """Whether a drive's speed is given in hertz, which points keep as a percentage."""
    return seen.unit == "hertz" and reading.measurement.startswith("speed")


def _because(seen: Seen) -> str:
    unit = our_unit(seen.unit)
    return f" (unit {unit}, {seen.kind})" if unit else f" ({seen.kind})"
