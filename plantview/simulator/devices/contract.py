"""What the devices need from a simulated plant, and what they record about writes from outside."""

from __future__ import annotations

import logging
from collections import deque
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Final, Protocol

from plantview.simulator.faults import Fault

log = logging.getLogger("plantview.simulator.devices")


class Simulated(Protocol):
    """A plant whose points can be read and commanded; time passes only in ``step``."""

    def reported(self) -> Mapping[str, float]:
        """Return point name -> number in the unit that the device reports; NaN or absent means no data."""
        ...

    def step(self, dt_s: float) -> None:
        """Let so many plant seconds pass."""
        ...

    def command(self, point: str, value: float | None) -> None:
        """Take over what an outsider commands; None gives the point back to the plant's own controller."""
        ...

    def inject(self, fault: Fault) -> None:
        """Let a fault befall the plant in its own time."""
        ...


@dataclass(frozen=True, slots=True)
class WriteRequest:
    """One write service that reached a device, whether it was granted or not."""

    device: str
    source: str
    """Address of the asker, ``host:port``."""
    what: str
    """Object and property, or table and first register, as received."""
    value: str


WRITES_KEPT_MAX: Final = 1_000


class WriteRecord:
    """Every write request that arrived: the count, and the last ones in full."""

    def __init__(self) -> None:
        self.count = 0
        self.last: deque[WriteRequest] = deque(maxlen=WRITES_KEPT_MAX)

    def add(self, request: WriteRequest) -> None:
        """Count, keep and log a request."""
        self.count += 1
        self.last.append(request)
        log.info("write request to %s from %s: %s = %s", request.device, request.source, request.what, request.value)
