"""What must hold for a derived value to mean something: the machine runs, water moves, the load is enough."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Final, Protocol

from plantview.derive.sight import Sight

ON_WORDS: Final = frozenset(
    {
        "ON",
        "RUN",
        "RUNNING",
        "START",
        "STARTED",
        "ACTIVE",
        "TRUE",
        "YES",
        "FLOW",
        "FLOW PROVEN",
        "PROVEN",
        "MADE",
    }
)
OFF_WORDS: Final = frozenset(
    {
        "OFF",
        "STOP",
        "STOPPED",
        "INACTIVE",
        "FALSE",
        "NO",
        "IDLE",
        "READY",
        "FAULT",
        "TRIP",
        "TRIPPED",
        "NO FLOW",
        "NOT PROVEN",
    }
)
"""Words of run status and flow proof; sites write them differently (common practice, no source)."""


def is_on(words: Mapping[int, str], number: float) -> bool | None:
    """Return whether a state means on or flow; None for a word that says neither."""
    word = words.get(round(number), "").strip().upper()
    if not words:
        return round(number) != 0
    return True if word in ON_WORDS else False if word in OFF_WORDS else None


@dataclass(frozen=True, slots=True)
class Verdict:
    """What a gate found; empty texts mean that nothing stands against the value."""

    relied_on: tuple[str, ...] = ()
    """Signals that decided."""
    refusal: str = ""
    doubt: str = ""
    off: bool = False
    """The refusal is that a machine is proven off, so that what it does is nothing."""


class Gate(Protocol):
    """A condition on a derived value."""

    def judge(self, sight: Sight) -> Verdict:
        """Return whether the value may be given."""
        ...


@dataclass(frozen=True, slots=True)
class Runs:
    """The machine runs, by its run status; drawing power while "off" is a contradiction and no proof."""

    machine: str
    status: str
    words: Mapping[int, str]
    power: str = ""
    """Power signal that may contradict the status; empty where none is measured."""
    idle_kw_max: float = 0.0

    def judge(self, sight: Sight) -> Verdict:
        """Refuse unless the status says that the machine runs."""
        reading = sight.reading(self.status)
        if not reading.usable:
            return Verdict((self.status,), sight.lack(self.status))
        running = is_on(self.words, sight.value(self.status, reading))
        if running is None:
            word = self.words.get(round(reading.value or 0.0), f"{reading.value:g}")
            return Verdict((self.status,), f"{self.status} says {word}: neither on nor off")
        if running:
            return Verdict((self.status,))
        drawn = sight.reading(self.power) if self.power else None
        if drawn is not None and drawn.usable and sight.value(self.power, drawn) > self.idle_kw_max:
            draws = f"{self.machine} draws {sight.value(self.power, drawn):.0f} kW"
            return Verdict((self.status, self.power), f"{self.status} says off, but {draws}")
        return Verdict((self.status,), f"{self.machine} is off", off=True)


@dataclass(frozen=True, slots=True)
class AnyRuns:
    """One machine of several runs; that one is off proves nothing while another is unknown."""

    machines: tuple[Runs, ...]
    none_runs: str

    def judge(self, sight: Sight) -> Verdict:
        """Refuse unless a machine is known to run."""
        verdicts = [machine.judge(sight) for machine in self.machines]
        running = next((verdict for verdict in verdicts if not verdict.refusal), None)
        if running is not None:
            return running
        unknown = next((verdict for verdict in verdicts if not verdict.off), None)
        if unknown is not None:
            return unknown
        statuses = tuple(name for verdict in verdicts for name in verdict.relied_on)
        return Verdict(statuses, self.none_runs, off=True)


@dataclass(frozen=True, slots=True)
class Evidence:
    """A signal that must reach a floor, or a state that must be on; ``below`` says what it means if not."""

    signal: str
    floor: float
    below: str
    words: Mapping[int, str] | None = None
    """For a state, its words."""

    def holds(self, sight: Sight) -> bool | None:
        """Return whether the floor is reached; None where it cannot be said."""
        reading = sight.reading(self.signal)
        if not reading.usable:
            return None
        number = sight.value(self.signal, reading)
        return number >= self.floor if self.words is None else is_on(self.words, number)


@dataclass(frozen=True, slots=True)
class Reaches:
    """The first usable piece of evidence decides; the others are only asked where it cannot be used."""

    evidence: tuple[Evidence, ...]

    def judge(self, sight: Sight) -> Verdict:
        """Refuse below the floor, and where no evidence can be used."""
        for piece in self.evidence:
            holds = piece.holds(sight)
            if holds is not None:
                return Verdict((piece.signal,), "" if holds else piece.below)
        first = self.evidence[0].signal
        strange = f"{first} says neither on nor off"
        return Verdict((first,), strange if sight.reading(first).usable else sight.lack(first))


@dataclass(frozen=True, slots=True)
class Unmixed:
    """A bypass is shut; an open one makes a value doubtful, not unknown."""

    valve: str
    position: str
    open_pct: float
    means: str

    def judge(self, sight: Sight) -> Verdict:
        """Doubt the value while the bypass is open or its position unknown."""
        reading = sight.reading(self.position)
        if not reading.usable:
            return Verdict(doubt=f"{self.position} is unknown: {self.means}")
        opening = sight.value(self.position, reading)
        if opening < self.open_pct:
            return Verdict((self.position,))
        return Verdict((self.position,), doubt=f"{self.valve} is open {opening:.0f} %: {self.means}")
