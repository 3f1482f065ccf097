"""What the supervisor hands to each process, as one JSON argument."""

from __future__ import annotations

import json
from collections.abc import Mapping
from dataclasses import asdict, dataclass, field
from pathlib import Path

from plantview.clock import Clock, ScaledClock, SystemClock
from plantview.config.loader import load_plant
from plantview.config.overrides import with_addresses
from plantview.model.plant import Plant


@dataclass(frozen=True, slots=True)
class Order:
    """One start: which plant, whose data folder, what time, what addresses."""

    role: str
    """``field``, ``web`` or ``simulator``."""
    plant: str
    data: str
    addresses: Mapping[str, str] = field(default_factory=dict)
    speed: float = 1.0
    start_real_ms: int = 0
    faults: tuple[str, ...] = ()
    host: str = "127.0.0.1"
    port: int = 8050
    cold: bool = False
    """A simulated plant starts with everything off."""

    def clock(self) -> Clock:
        """Return the plant's time, the same in every process of one start."""
        return SystemClock() if self.speed == 1.0 else ScaledClock(self.speed, self.start_real_ms)

    def text(self) -> str:
        """Return the order as the argument of a process."""
        return json.dumps(asdict(self))

    @classmethod
    def read(cls, text: str) -> Order:
        """Return the order that a process was given."""
        return cls(**json.loads(text))

    def load(self) -> Plant:
        """Return the plant at the addresses of this start; ConfigError where it is wrong."""
        return with_addresses(load_plant(Path(self.plant)), self.addresses)
