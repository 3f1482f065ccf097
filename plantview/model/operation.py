"""What the equipment is doing and where water moves, as judged from one frame."""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum


class Operation(StrEnum):
    """State of a machine; the word on the screen is ``Condition.word``."""

    RUN = "run"
    OFF = "off"
    STARTING = "starting"
    STOPPING = "stopping"
    TRIPPED = "tripped"
    NOT_AVAILABLE = "not-available"
    NO_COMMS = "no-comms"
    UNKNOWN = "unknown"


@dataclass(frozen=True, slots=True)
class Condition:
    """State of one machine."""

    operation: Operation
    word: str
    """RUN, OFF, STARTING, TRIPPED, NOT AVAILABLE, NO COMMS, OPEN, CLOSED, 43 %, WATER ON…"""
    detail: str
    """Reason or second fact: ``CHWP-2 tripped``, ``FAN 62 %``, ``waiting for flow``; may be empty."""
    hand: bool
    """True when a local switch holds it (drive in hand)."""


class Basis(StrEnum):
    """Where a flow comes from."""

    MEASURED = "measured"
    INFERRED = "inferred"
    UNKNOWN = "unknown"


@dataclass(frozen=True, slots=True)
class BranchFlow:
    """Water through one branch or bypass, positive from its start header to its end header."""

    flow_l_s: float | None
    """None when only "moves" or "stands" is known, or nothing."""
    moving: bool | None
    """None when unknown."""
    basis: Basis
