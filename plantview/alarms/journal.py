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
RESUME: Final = "RESUME"
OOS: Final = "OOS"
INSERV: Final = "INSERV"
EVENT: Final = "EVENT"
"""An event began; it ends with RTN."""
REFUSED: Final = "REFUSED"
CLOSED: Final = "CLOSED"
"""The rule was taken out of the plant description."""
CLOCK: Final = "CLOCK"
"""The computer's clock was stepped."""


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

    def as_dict(self, seq: int) -> dict[str, Any]:
        """Return the line with its number, ready for JSON."""
        return {"seq": seq, **asdict(self)}
