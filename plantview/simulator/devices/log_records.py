"""Records of a controller's own trend log, and the parts of it that ReadRange asks for.

Selection follows ANSI/ASHRAE 135, clause 15.8: positions count from 1 at the oldest record kept,
sequence numbers from 1 at the first record ever written, times are the device's local ones. A
positive count reads onwards from the reference, a negative one up to it; by time the record
at the reference itself belongs to neither. Records always come oldest first; what does
not fit one answer is left off at the end (which end, from memory) and announced as more items.
"""

from __future__ import annotations

from collections import deque
from dataclasses import dataclass
from datetime import datetime

SEQUENCE_MAX = 2**32 - 1


@dataclass(frozen=True, slots=True)
class Record:
    """One encoded record and the device's local time at which it was written."""

    at: datetime
    octets: bytes


@dataclass(frozen=True, slots=True)
class Part:
    """What an answer to ReadRange carries."""

    records: list[Record]
    first_sequence: int
    first_item: bool
    last_item: bool
    more_items: bool


EMPTY = Part([], 0, first_item=False, last_item=False, more_items=False)


class Records:
    """The last so many records; the oldest give way."""

    def __init__(self, size: int) -> None:
        self.kept: deque[Record] = deque(maxlen=size)
        self.total = 0
        """Records ever written: the sequence number of the newest."""

    def add(self, record: Record) -> None:
        """Append a record."""
        self.kept.append(record)
        self.total = self.total % SEQUENCE_MAX + 1  # after the largest number comes 1

    def purge(self) -> None:
        """Forget the records; their sequence numbers are not used again."""
        self.kept.clear()

    def everything(self, octets: int) -> Part:
        """Return from the oldest record on."""
        return self._part(0, len(self.kept), octets)

    def by_position(self, position: int, count: int, octets: int) -> Part:
        """Return records around a position; nothing if there is no such position."""
        at = position - 1
        if not 0 <= at < len(self.kept):
            return EMPTY
        return self._around(at, at + 1, count, octets)

    def by_sequence(self, sequence: int, count: int, octets: int) -> Part:
        """Return records around a sequence number; nothing if it is no longer, or not yet, there."""
        behind = (self.total - sequence) % SEQUENCE_MAX
        return self.by_position(len(self.kept) - behind, count, octets)

    def by_time(self, at: datetime, count: int, octets: int) -> Part:
        """Return records newer (count above 0) or older (below) than a time."""
        newer = (place for place, record in enumerate(self.kept) if record.at > at)
        older = [place for place, record in enumerate(self.kept) if record.at < at]
        # no bisection: after somebody set the clock back the times do not rise
        return self._around(next(newer, len(self.kept)), older[-1] + 1 if older else 0, count, octets)

    def _around(self, onwards: int, up_to: int, count: int, octets: int) -> Part:
        if count > 0:
            return self._part(onwards, min(onwards + count, len(self.kept)), octets)
        return self._part(max(0, up_to + count), up_to, octets)

    def _part(self, first: int, end: int, octets: int) -> Part:
        records: list[Record] = []
        for at in range(first, end):
            octets -= len(self.kept[at].octets)
            if octets < 0:
                break
            records.append(self.kept[at])
        if not records:
            return EMPTY if first >= end else Part([], 0, first_item=False, last_item=False, more_items=True)
        last = first + len(records)
        sequence = (self.total - len(self.kept) + first) % SEQUENCE_MAX + 1
        return Part(records, sequence, first == 0, last == len(self.kept), last < end)
