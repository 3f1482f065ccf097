"""One line of the sequence of events: what happened, when, and how far that time may be off."""

from __future__ import annotations

from dataclasses import asdict, dataclass
from typing import Any, Final

SCAN: Final = "scan"
DEVICE: Final = "device stamp"
PERSON: Final = "person"
HERE: Final = "this program"
STAMP_MS: Final = 100
"""How far a device's own stamp may be off once its clock is corrected: it is shown to 0.1 s, so either way."""
KINDS: Final = ("command", "status", "proof", "mode", "fault", "state", "alarm", "device", "timeout", "marker")


@dataclass(frozen=True, slots=True)
class Event:
    """Something that happened at ``at_ms`` (UTC), at most ``early_ms`` before it and ``late_ms`` after it."""

    at_ms: int
    early_ms: int
    late_ms: int
    source: str
    """``scan``, ``device stamp``, ``person`` or ``this program``."""
    kind: str
    """One of ``KINDS``."""
    equipment: str
    point: str = ""
    before: str = ""
    after: str = ""
    text: str = ""
    person: str = ""
    key: str = ""
    """What makes it the same event when it is told again; empty for one that is told once."""

    def row(self) -> dict[str, Any]:
        """Return it as JSON-able fields."""
        return asdict(self)
