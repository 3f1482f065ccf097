"""Who did what to this plant, when and with what result: append-only, each line chained to the one before.

A line that is changed, taken out or put in breaks the chain; a file cut short does not reach its anchor.
"""

from __future__ import annotations

from plantview.audit.book import AuditBook
from plantview.audit.chain import FIRST, Verdict, verify

__all__ = ["FIRST", "AuditBook", "Verdict", "verify"]
