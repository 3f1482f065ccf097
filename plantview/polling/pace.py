"""When to ask: fixed phases that skip what is late, and back-off for a silent device."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

BACK_OFF_MAX_S: Final = 60.0
PROBE_SHARE: Final = 3
"""Probes of silent devices may take one part in three of a line that others use."""
FITS: Final = 0.8
"""A probe that takes longer than this part of the others' period would cost them cycles."""


@dataclass
class Turn:
    """Something that is due again and again, at the same phase of its period."""

    period_s: float
    due_s: float

    def done(self, now_s: float) -> int:
        """Move on to the next due time that lies ahead; return how many were passed over."""
        self.due_s += self.period_s
        late = now_s - self.due_s
        if late < 0:
            return 0
        skipped = int(late // self.period_s) + 1
        self.due_s += skipped * self.period_s
        return skipped


def first_due_s(now_s: float, period_s: float, place: int, of: int) -> float:
    """Return a start that spreads ``of`` devices evenly over one period."""
    return now_s + period_s * place / max(of, 1)


def probe_delay_s(failures: int, cap_s: float) -> float:
    """Return real seconds from the start of one probe to the next: 1, 2, 4… up to ``cap_s`` and never above a minute."""
    return min(2.0 ** min(failures - 1, 6), cap_s, BACK_OFF_MAX_S)


def probe_cap_s(period_s: float, cost_s: float, silent: int, others_period_s: float | None) -> float:
    """Return the longest wait between probes of a silent device, in real seconds.

    Alone on its line, a silent device disturbs nobody: it is asked once per period, so that it is
    back within two periods. Where it shares a gateway, its probes take a bounded share; where
    one probe would make the others late, it waits the full minute.

    Parameters
        period_s         its own period                                              [s]
        cost_s           how long the last failure held up the line                  [s]
        silent           silent devices on the line, itself included
        others_period_s  shortest period of the answering ones, None if there are none [s]
    """
    if others_period_s is None:
        return max(period_s, cost_s)
    if cost_s > FITS * others_period_s:
        return BACK_OFF_MAX_S
    return max(period_s, PROBE_SHARE * cost_s * silent)
