"""What may be written to this plant, by whom and how far: the allow-list, one permit per point."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Final

SETPOINT: Final = "setpoint"
START: Final = "start"
"""Starts, stops and whatever moves a machine at once: a list of its own, off by default."""
RATE_S: Final = 600.0
"""The window of ``Permit.most_change``."""
LEASE_S: Final = 7_200.0
"""How long an override lasts if nothing else is said; longer than this only a lead may order."""
LEASE_MAX_S: Final = 86_400.0


@dataclass(frozen=True, slots=True)
class Permit:
    """One row of the allow-list; numbers are in the point's reported unit."""

    point: str
    act: str
    """``setpoint`` or ``start``."""
    low: float
    high: float
    most_step: float
    """Largest change by one command."""
    most_change: float
    """Largest sum of changes within ``RATE_S``."""
    per_hour: int
    """Most commands of the point in an hour: setpoints wear memory out, starts wear machines out."""
    priority: int
    """BACnet priority; without meaning for Modbus."""
    lease_s: float
    tolerance: float
    """How far a value may have moved between looking and committing."""
    critical: bool
    """The equipment's name must be typed."""
    two_people: bool
    hold_to_run: bool
    """Released as soon as the page that ordered it is no longer heard."""
    needs: tuple[str, ...]
    """Conditions, in the words of alarm rows, that must be known to be true."""
    effect: str
    """Signal that shows whether the equipment follows; may be empty."""
    effect_within_s: float
    function: int
    """Modbus function that writes it; 0 for what its size asks for."""
    witnessed: str
    """Who saw it work on site, and when; required for a start."""
    restart_s: float = 0.0
    """How long a machine must have stood before it is started again; 0 where nothing was said."""


@dataclass(frozen=True, slots=True)
class Writes:
    """``[writes]`` of plant.toml with the allow-list beside it."""

    enabled: bool = False
    practice: bool = False
    """Enabled for the simulated plant alone, to rehearse; every page says so."""
    starts: bool = False
    """Whether the rows of ``[[starts]]`` count."""
    at_stop: str = "release"
    """``release``, or ``keep``: what becomes of overrides at an orderly stop."""
    anchor: str = ""
    """Folder of the audit's anchor; empty for one in the data folder."""
    permits: Mapping[str, Permit] = field(default_factory=dict)
    """By point; the starts only where they count."""

    @property
    def active(self) -> bool:
        """Return whether anything may be written at all."""
        return self.enabled and bool(self.permits)
