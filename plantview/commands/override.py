"""One override: what we wrote, where, until when, and how it stands."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field, fields
from enum import StrEnum
from typing import Any, Final

from plantview.commands.table import OPEN, OURS, State


class Result(StrEnum):
    """What is known about a command or a release."""

    PENDING = "PENDING"
    """Not looked at yet."""
    VERIFIED = "VERIFIED"
    ACCEPTED_NOT_EFFECTIVE = "ACCEPTED_NOT_EFFECTIVE"
    """Our value stands, and a higher priority wins."""
    PENDING_MIN_ONOFF = "PENDING_MIN_ONOFF"
    """Our value stands, and a minimum on or off time of the device still runs."""
    MISMATCH = "MISMATCH"
    """The device accepted it and shows something else."""
    REFUSED_BY_DEVICE = "REFUSED_BY_DEVICE"
    UNKNOWN = "UNKNOWN"
    """No reply: nobody knows."""
    NOT_WRITTEN = "NOT_WRITTEN"
    RELEASED = "RELEASED"
    FOREIGN = "FOREIGN"
    """Another writer's value stands there."""


@dataclass(slots=True)
class Override:
    """Everything that outlives a crash, and beside it what only this run knows."""

    id: int
    point: str
    equipment: str
    device: str
    address: str
    priority: int | None
    """None: sticky, there is no slot; ``restore`` is written back."""
    value: float
    """What we hold, or are about to hold; in the point's reported unit."""
    prior: float | None
    """What we held before a change of our own override; None else."""
    restore: float | None
    """What stood there before us."""
    person: Mapping[str, str]
    reason: str
    began_ms: int
    until_ms: int
    seconds: float
    state: State = State.INTENT
    result: Result = Result.PENDING
    detail: str = ""
    """Winner, error word or the like, in words."""
    written_ms: tuple[int, ...] = ()
    """When this point was commanded by us within the last hour, for the limits of rate and number."""
    steps: tuple[float, ...] = ()
    """How far each of those moved the value."""
    release_asked: str = ""
    """By whom, if a person wants it released before its time."""
    hold_to_run: str = ""
    """Session whose page must be heard for it to last; empty for an ordinary lease."""
    ended_ms: int = 0
    # --- this run only
    ends_s: float = 0.0
    next_s: float = 0.0
    checks_s: list[float] = field(default_factory=list)
    failures: int = 0
    """Looks in a row that brought nothing."""
    attempts: int = 0
    """Releases that were sent; each one after a reading, with growing pauses."""
    next_attempt_s: float = 0.0
    held_back: str = ""
    """Why a release waits although it is due."""
    recovered: bool = True
    """False from a restart until a reading has shown how it stands."""
    seen_ms: int = 0
    """When a reading last showed how it stands."""
    effect: str = ""
    effect_due_s: float | None = None

    @property
    def open(self) -> bool:
        """Return whether somebody still has to look after it."""
        return self.state in OPEN

    @property
    def ours(self) -> bool:
        """Return whether the device may hold a value of ours."""
        return self.state in OURS

    def row(self) -> dict[str, Any]:
        """Return what is kept on disk."""
        row = {name: getattr(self, name) for name in KEPT}
        return {**row, "state": self.state.value, "result": self.result.value, "person": dict(self.person)}


_PASSING: Final = frozenset(
    {
        "ends_s", "next_s", "checks_s", "failures", "attempts", "next_attempt_s", "held_back", "recovered", "seen_ms", "effect", "effect_due_s",
    }
)  # fmt: skip
KEPT: Final = tuple(item.name for item in fields(Override) if item.name not in _PASSING)


def override_of(row: Mapping[str, Any]) -> Override:
    """Read an override from disk; KeyError, TypeError or ValueError for what is none."""
    known = {name: row[name] for name in KEPT}
    known |= {
        "state": State(row["state"]), "result": Result(row["result"]),
        "written_ms": tuple(row["written_ms"]), "steps": tuple(row["steps"]),
    }  # fmt: skip
    return Override(**known)
