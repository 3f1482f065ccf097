"""Reads the history of a data folder from outside the field process: pages, exports, recalculation."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path

from plantview.history.samples import Buckets, Described, Report, Samples


class Archive:
    """The sealed history of one data folder, read-only; every call opens the files it needs and closes them.

    While a field process owns the folder its last hour or two are asked from that process;
    otherwise what it left unsealed is read too. A damaged stretch is one BAD sample with its
    reason, never an exception; ``trouble`` says what could not be read by the last call.
    """

    def __init__(self, data: Path) -> None:
        self.data = data
        self.trouble: list[str] = []

    def names(self) -> list[str]:
        """Return all names that have samples, sorted."""
        raise NotImplementedError

    def described(self, name: str) -> Described | None:
        """Return unit, quantity and states of a name as last written."""
        raise NotImplementedError

    def extent(self) -> tuple[int, int] | None:
        """Return the times of the first and the last sample (UTC ms); None if there is none."""
        raise NotImplementedError

    def range(self, name: str, from_ms: int, to_ms: int) -> Samples:
        """Return the samples with ``from_ms <= at < to_ms`` in the unit of ``described``."""
        raise NotImplementedError

    def reduced(self, name: str, from_ms: int, to_ms: int, width: int) -> Buckets:
        """Return at most ``width`` buckets and the gaps between them."""
        raise NotImplementedError

    def reduced_all(self, names: Sequence[str], from_ms: int, to_ms: int, width: int) -> dict[str, Buckets]:
        """Return the same for several names, opening each file once."""
        raise NotImplementedError

    def check(self) -> Report:
        """Read everything and verify every checksum."""
        raise NotImplementedError
