"""What the supervisor hands to each process, as one JSON argument."""

from __future__ import annotations

import json
from collections.abc import Mapping
from dataclasses import asdict, dataclass, field, replace
from pathlib import Path

from plantview.clock import Clock, ScaledClock, SystemClock
from plantview.config.loader import load_plant
from plantview.config.overrides import with_addresses
from plantview.errors import StartRefused
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
    practice: bool = False
    """Commands to the simulated plant are enabled, to rehearse; every page says so."""
    past_h: float = 0.0
    """Hours that a simulated plant is given as its past."""
    proxy: str = ""
    """Address of the gateway in front of the web process, the only one it answers; empty for none."""
    tls_cert: str = ""
    tls_key: str = ""
    known_as: tuple[str, ...] = ()
    """Further names, ``name`` or ``name:port``, by which browsers address the web process."""
    open_wall: bool = False
    openmetrics: bool = False
    looking_back: bool = False
    """The field process only answers about the past; no device is asked anything."""

    def clock(self) -> Clock:
        """Return the plant's time, the same in every process of one start."""
        return SystemClock() if self.speed == 1.0 else ScaledClock(self.speed, self.start_real_ms)

    def url(self) -> str:
        """Return the address of the pages for a browser."""
        host = f"[{self.host}]" if ":" in self.host else self.host
        return f"http{'s' if self.tls_cert else ''}://{host}:{self.port}/"

    def text(self) -> str:
        """Return the order as the argument of a process."""
        return json.dumps(asdict(self))

    @classmethod
    def read(cls, text: str) -> Order:
        """Return the order that a process was given."""
        return cls(**json.loads(text))

    def load(self) -> Plant:
        """Return the plant at the addresses of this start; ConfigError where it is wrong."""
        plant = with_addresses(load_plant(Path(self.plant)), self.addresses)
        return practised(plant) if self.practice else plant


def practised(plant: Plant) -> Plant:
    """Return a simulated plant with commands enabled for practice; StartRefused for a real one, or one without a list."""
    if not plant.simulated:
        raise StartRefused("--practice is for simulated plants only -> leave it out")
    if not plant.writes.permits:
        raise StartRefused(
            "there is nothing to practise: writes.toml is missing or lists nothing -> list two setpoints"
        )
    return replace(plant, writes=replace(plant.writes, enabled=True, practice=True))
