"""What must hold for a derived value to mean something: the machine runs, water moves, the load is enough."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Final, Protocol

import numpy as np

from plantview.derive.cases import Codes, alike, dense
from plantview.derive.moments import Moments
from plantview.derive.sight import Sight
from plantview.model.columns import Flags, Ints

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

    def cases(self, moments: Moments) -> Sequence[Codes]:
        """Return what the verdict depends on: moments that these do not tell apart have the same."""
        ...


_YES, _NO, _NEITHER, _UNUSABLE = 2, 1, 0, -1


def _says_on(words: Mapping[int, str], signal: str, moments: Moments) -> Ints:
    """Return at every moment whether a state means on; each of its numbers is asked about once."""
    numbers = moments.words(signal)
    firsts = np.zeros(numbers.size, np.int64)
    firsts[numbers.numbers] = np.arange(moments.count)
    values = moments.canonical(signal)[firsts]
    told = {True: _YES, False: _NO, None: _NEITHER}
    answers = [told[is_on(words, value)] if np.isfinite(value) else _UNUSABLE for value in values.tolist()]
    return np.where(moments.usable(signal), np.array(answers, np.int64)[numbers.numbers], _UNUSABLE)


def _rounded(signal: str, where: Flags, moments: Moments) -> Codes:
    """Return codes for a number as a text shows it without decimals, where it is shown."""
    if not where.any():
        return alike(moments.count)
    whole = np.rint(moments.canonical(signal))
    least = whole[where].min()
    return dense(np.where(where, whole - least + 1, 0).astype(np.int64))


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

    def cases(self, moments: Moments) -> Sequence[Codes]:
        """Return the state of the status, its word, and what power contradicts it."""
        found = [moments.state(self.status), moments.words(self.status)]
        off = _says_on(self.words, self.status, moments) == _NO
        if self.power and off.any():
            over = off & moments.usable(self.power) & (moments.canonical(self.power) > self.idle_kw_max)
            if over.any():
                found += [moments.state(self.power).only(over), _rounded(self.power, over, moments)]
        return found


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

    def cases(self, moments: Moments) -> Sequence[Codes]:
        """Return the cases of every machine."""
        return [moments.verdicts(machine) for machine in self.machines]


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

    def held(self, moments: Moments) -> Ints:
        """Return the same for every moment: 2 reached, 1 not, 0 no known word, -1 no usable reading."""
        if self.words is not None:
            return _says_on(self.words, self.signal, moments)
        reached = np.where(moments.canonical(self.signal) >= self.floor, _YES, _NO)
        return np.where(moments.usable(self.signal), reached, _UNUSABLE)


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

    def cases(self, moments: Moments) -> Sequence[Codes]:
        """Return what each piece of evidence says, and the state of its signal."""
        found = [moments.state(piece.signal) for piece in self.evidence]
        return [*found, *(dense(piece.held(moments)) for piece in self.evidence)]


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

    def cases(self, moments: Moments) -> Sequence[Codes]:
        """Return the state of the position, and how far open it is as the doubt says it."""
        usable = moments.usable(self.position)
        open_wide = usable & ~(moments.canonical(self.position) < self.open_pct)
        shown = _rounded(self.position, open_wide, moments)
        return [dense(usable.astype(np.int64)), moments.state(self.position), shown]


@dataclass(frozen=True, slots=True)
class Doubtful:
    """A value that is never more than an estimate, whatever its readings are."""

    doubt: str

    def judge(self, sight: Sight) -> Verdict:
        """Doubt the value."""
        del sight
        return Verdict(doubt=self.doubt)

    def cases(self, moments: Moments) -> Sequence[Codes]:
        """Return nothing: the verdict is the same at every moment."""
        del moments
        return ()
