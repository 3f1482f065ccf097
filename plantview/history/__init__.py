"""Recent readings in memory and all readings on disk, bounded, behind one interface."""

from __future__ import annotations

from plantview.history.latest import NOT_READ, Latest
from plantview.history.reader import Archive
from plantview.history.recent import Recent
from plantview.history.ring import Ring
from plantview.history.samples import Buckets, Described, Report, Samples
from plantview.history.store import History, Store

__all__ = [
    "NOT_READ",
    "Archive",
    "Buckets",
    "Described",
    "History",
    "Latest",
    "Recent",
    "Report",
    "Ring",
    "Samples",
    "Store",
]
