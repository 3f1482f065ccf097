"""Whether each sensor is what the point list says, judged by the balances it takes part in; nothing is ever corrected."""

from __future__ import annotations

from plantview.checks.finding import Finding, withheld
from plantview.checks.judge import Judge

__all__ = ["Finding", "Judge", "withheld"]
