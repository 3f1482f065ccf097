"""One line of the journal: what happened to an alarm, when, by whom, and where it stood then."""

from __future__ import annotations

from dataclasses import asdict, dataclass
from typing import Any, Final

ANN: Final = "ANN"
RTN: Final = "RTN"
ACK: Final = "ACK"
REALARM: Final = "REALARM"
RESET: Final = "RESET"
SHELVE: Final = "SHELVE"
UNSHELVE: Final = "UNSHELVE"
SUPPRESS: Final = "SUPPRESS"
UNSUPPRESS: Final = "UNSUPPRESS"
COVERED: Final = "COVERED"
"""Suppressed because another alarm speaks for it: a farther limit, a common loss."""
RESUME: Final = "RESUME"
FOUND: Final = "FOUND"
"""Its device had settled it before it was asked."""
NOTE: Final = "NOTE"
"""A person's comment, which changes nothing."""
OOS: Final = "OOS"
INSERV: Final = "INSERV"
EVENT: Final = "EVENT"
"""An event began; it ends with RTN."""
REFUSED: Final = "REFUSED"
CLOSED: Final = "CLOSED"
"""The rule was taken out of the plant description."""
CLOCK: Final = "CLOCK"
"""The computer's clock was stepped."""

ROUTINE: Final = (SUPPRESS, UNSUPPRESS)
ROUTINE_BEFORE: Final = ("NORM", "DSUPR")


@dataclass(frozen=True, slots=True)
class Search:
    """Which lines of the journal are wanted; empty texts and zero times want all."""

    text: str = ""
    """Part of alarm, equipment, person or text, whatever its case."""
    alarm: str = ""
    equipment: str = ""
    from_ms: int = 0
    to_ms: int = 0
    annunciated: bool = False
    """Only calls to the crew."""
    by_design: bool = False
    """Also that a normal alarm began or ceased to apply: machines start and stop all day."""

    def wants(self, entry: Entry) -> bool:
        """Return whether a line is among them."""
        said = "\n".join((entry.alarm, entry.equipment, entry.person, entry.text)).lower()
        return (
            self.text.lower() in said
            and self.alarm in {"", entry.alarm}
            and self.equipment in {"", entry.equipment}
            and self.from_ms <= entry.at_ms
            and (self.to_ms == 0 or entry.at_ms < self.to_ms)
            and (entry.annunciated or not self.annunciated)
            and (self.by_design or not entry.routine)
        )


@dataclass(frozen=True, slots=True)
class Entry:
    """A line of the journal; ``seq`` is given by the store."""

    at_ms: int
    kind: str
    alarm: str
    equipment: str
    before: str
    after: str
    priority: int
    person: str
    text: str
    annunciated: bool

    @property
    def routine(self) -> bool:
        """Return whether it only says that a normal alarm began or ceased to apply."""
        return self.kind in ROUTINE and self.before in ROUTINE_BEFORE

    def as_dict(self, seq: int) -> dict[str, Any]:
        """Return the line with its number, ready for JSON."""
        return {"seq": seq, **asdict(self)}
