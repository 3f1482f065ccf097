"""How far a reading may be trusted."""

from __future__ import annotations

from enum import IntEnum


class Quality(IntEnum):
    """Worse is greater, so ``max`` of the inputs is the best that a result may have."""

    GOOD = 0
    UNCERTAIN = 1
    """In hand, or otherwise doubtful: used, and marked."""
    STALE = 2
    """Not renewed for three periods: shown with its age, not used."""
    BAD = 3
    """Refused, faulty, no data or out of range: no number is shown."""
