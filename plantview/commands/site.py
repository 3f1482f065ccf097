"""What every step of a command needs: the plant, its readings, its equipment, what is remembered and written down."""

from __future__ import annotations

import asyncio
from collections import defaultdict
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from typing import Any

from plantview.audit import AuditBook
from plantview.clock import Clock
from plantview.commands.ledger import Ledger
from plantview.commands.targets import Targets
from plantview.errors import AuditUnwritable
from plantview.model.permit import Permit
from plantview.model.person import Person
from plantview.model.plant import Plant
from plantview.model.point import Point
from plantview.model.reading import Frame
from plantview.model.signal import Signal


@dataclass(slots=True)
class Site:
    """The surroundings of commands in one process."""

    plant: Plant
    clock: Clock
    signals: Mapping[str, Signal]
    frame: Callable[[], Frame]
    """Gives all current readings."""
    targets: Targets
    ledger: Ledger
    audit: AuditBook
    locks: dict[str, asyncio.Lock] = field(default_factory=lambda: defaultdict(asyncio.Lock))
    """By device: one command or release at a time; a silent device holds up no other."""

    @property
    def permits(self) -> Mapping[str, Permit]:
        """Return the allow-list."""
        return self.plant.writes.permits

    def point(self, name: str) -> Point:
        """Return a point of the plant."""
        return self.plant.points[name]

    def lock(self, point: Point) -> asyncio.Lock:
        """Return the lock of a point's device."""
        return self.locks[point.device]

    def tell(self, act: str, person: Person | None = None, **fields: Any) -> None:
        """Write down what has happened already: if the disk fails, the trouble is shown, and what happened stays so."""
        try:
            self.audit.append(act, person, **fields)
        except AuditUnwritable:
            return
