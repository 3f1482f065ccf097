"""Recent readings in memory (all readings on disk come behind the same interface)."""

from __future__ import annotations

from plantview.history.latest import NOT_READ, Latest
from plantview.history.recent import Recent
from plantview.history.ring import Ring, Samples
from plantview.history.store import History

__all__ = ["NOT_READ", "History", "Latest", "Recent", "Ring", "Samples"]
