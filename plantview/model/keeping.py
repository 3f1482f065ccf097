"""What a plant description says about its history: where it is kept, how long, and how large it may become."""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class Keeping:
    """Bounds of history; the oldest goes first."""

    database: str = ""
    """``postgresql://…`` without a password; empty keeps history in the data folder."""
    keep_days: float = 730.0
    """Samples as read."""
    keep_sums_days: float = 3_660.0
    """Summaries of five minutes and an hour."""
    max_gb: float = 20.0
    """All of it, in 10^9 bytes."""
