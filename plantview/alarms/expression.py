"""Conditions in the trade's words, such as ``CH-1 runs for 15 min and CH-1.load_pct above 30 %``.

    condition = all { "or" all }
    all       = timed { "and" timed }
    timed     = [ "not" ] test [ "for" NUMBER ("s" | "min" | "h") ]
    test      = "(" condition ")"
              | EQUIPMENT "runs"                     its run status, or that of any of its fans
              | "any" KIND "runs"                    any chiller runs, any pump runs
              | SIGNAL "is" [ "not" ] STATE          CH-1.mode is RUN, CH-1.mode is 'WAITING FOR FLOW'
              | SIGNAL ("above" | "below") NUMBER UNIT

Keywords are lower case; a state in several words may be quoted. Nothing is ever executed:
the text becomes a small tree that ``gate`` evaluates.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from typing import Final

from plantview.alarms.amounts import amount
from plantview.alarms.names import near, runs_by, state_numbers
from plantview.model.plant import Plant
from plantview.model.signal import Signal

LENGTH_MAX: Final = 400
DEPTH_MAX: Final = 12

_TOKEN: Final = re.compile(r"\s*(?:(?P<quoted>'[^']*'|\"[^\"]*\")|(?P<bracket>[()])|(?P<word>[^\s()'\"]+))")
_KEYWORDS: Final = frozenset({"and", "or", "not", "for", "is", "above", "below", "runs", "any", "(", ")"})
_SECONDS: Final = {"s": 1.0, "min": 60.0, "h": 3_600.0}


@dataclass(frozen=True, slots=True)
class Runs:
    """Any of these run states says that its machine runs."""

    signals: tuple[Signal, ...]


@dataclass(frozen=True, slots=True)
class Is:
    """A state is one of ``numbers``."""

    signal: Signal
    numbers: frozenset[int]


@dataclass(frozen=True, slots=True)
class Compare:
    """A value is strictly above or below ``limit``, which is in the signal's own unit."""

    signal: Signal
    above: bool
    limit: float


@dataclass(frozen=True, slots=True)
class Not:
    """The opposite; unknown stays unknown."""

    inner: Clause


@dataclass(frozen=True, slots=True)
class AllOf:
    """Every part is true."""

    parts: tuple[Clause, ...]


@dataclass(frozen=True, slots=True)
class AnyOf:
    """At least one part is true."""

    parts: tuple[Clause, ...]


@dataclass(frozen=True, slots=True)
class Lasts:
    """``inner`` has been true without a break for ``seconds``; ``number`` counts the timers of a tree."""

    inner: Clause
    seconds: float
    number: int


Clause = Runs | Is | Compare | Not | AllOf | AnyOf | Lasts


class ExpressionError(ValueError):
    """A condition that cannot be read; the text says where and what would be right."""


def parse(text: str, plant: Plant, signals: Mapping[str, Signal]) -> Clause:
    """Return the tree of a condition; ExpressionError if it cannot be read or names what is not there."""
    if len(text) > LENGTH_MAX:
        raise ExpressionError(f"the condition is {len(text)} characters long; {LENGTH_MAX} are the most")
    return _Parser(_tokens(text), plant, signals).whole()


def signals_of(clause: Clause) -> tuple[Signal, ...]:
    """Return every signal that a condition looks at."""
    match clause:
        case Runs(signals):
            return signals
        case Is(signal) | Compare(signal):
            return (signal,)
        case Not(inner) | Lasts(inner):
            return signals_of(inner)
        case AllOf(parts) | AnyOf(parts):
            return tuple(signal for part in parts for signal in signals_of(part))


def _tokens(text: str) -> list[str]:
    tokens, at, end = [], 0, len(text.rstrip())
    while at < end:
        found = _TOKEN.match(text, at)
        if found is None:
            raise ExpressionError(f"a quotation mark is not closed in: {text[at:].strip()}")
        tokens.append(found.group().strip())
        at = found.end()
    return tokens


class _Parser:
    def __init__(self, tokens: list[str], plant: Plant, signals: Mapping[str, Signal]) -> None:
        self._tokens, self._plant, self._signals = tokens, plant, signals
        self._at = self._depth = self._timers = 0

    def whole(self) -> Clause:
        tree = self._condition()
        if self._peek():
            raise ExpressionError(f"'{self._peek()}' is not expected there; join tests with 'and' or 'or'")
        return tree

    def _peek(self) -> str:
        return self._tokens[self._at] if self._at < len(self._tokens) else ""

    def _take(self, wanted: str) -> str:
        token = self._peek()
        if not token:
            raise ExpressionError(f"the condition ends where {wanted} is expected")
        self._at += 1
        return token

    def _accept(self, word: str) -> bool:
        found = self._peek() == word
        self._at += found
        return found

    def _condition(self) -> Clause:
        return self._joined("or", self._all, AnyOf)

    def _all(self) -> Clause:
        return self._joined("and", self._timed, AllOf)

    def _joined(self, word: str, part: Callable[[], Clause], whole: type[AllOf | AnyOf]) -> Clause:
        parts = [part()]
        while self._accept(word):
            parts.append(part())
        return parts[0] if len(parts) == 1 else whole(tuple(parts))

    def _timed(self) -> Clause:
        negated = self._accept("not")
        test = self._test()
        clause = Not(test) if negated else test
        if not self._accept("for"):
            return clause
        seconds = self._duration()
        self._timers += 1
        return Lasts(clause, seconds, self._timers - 1)

    def _duration(self) -> float:
        number, unit = self._take("a duration"), self._take("s, min or h")
        try:
            seconds = float(number) * _SECONDS[unit]
        except (ValueError, KeyError):
            raise ExpressionError(f"'{number} {unit}' is no duration; write it like 15 min (s, min or h)") from None
        if not 0 < seconds <= DURATION_MAX_S:
            raise ExpressionError(f"'for {number} {unit}' must be above 0 and at most {DURATION_MAX_S / 3_600:g} h")
        return seconds

    def _test(self) -> Clause:
        if self._accept("("):
            return self._bracket()
        if self._accept("any"):
            return self._any()
        name = self._take("a test such as 'CH-1 runs'")
        verb = self._take("'runs', 'is', 'above' or 'below'")
        if verb == "runs":
            return Runs(self._runs(name))
        if verb == "is":
            return self._is(self._signal(name))
        if verb in {"above", "below"}:
            return self._compare(self._signal(name), verb)
        raise ExpressionError(f"'{verb}' after {name} is not understood; write 'runs', 'is', 'above' or 'below'")

    def _bracket(self) -> Clause:
        self._depth += 1
        if self._depth > DEPTH_MAX:
            raise ExpressionError(f"more than {DEPTH_MAX} brackets inside each other")
        inner = self._condition()
        if not self._accept(")"):
            raise ExpressionError("a bracket is not closed; add ')'")
        self._depth -= 1
        return inner

    def _any(self) -> Clause:
        kind = self._take("a kind of equipment")
        if not self._accept("runs"):
            raise ExpressionError(f"'any {kind}' must be followed by 'runs'")
        machines = self._plant.of_kind(kind)
        found = tuple(s for item in machines for s in runs_by(item.id, self._plant, self._signals))
        if not found:
            kinds = dict.fromkeys(item.kind for item in self._plant.equipment.values())
            raise ExpressionError(f"no {kind} has a run status; kinds of this plant: {', '.join(kinds)}")
        return Runs(found)

    def _runs(self, name: str) -> tuple[Signal, ...]:
        if name not in self._plant.equipment:
            raise ExpressionError(f"no equipment '{name}'{near(name, self._plant.equipment)}")
        found = runs_by(name, self._plant, self._signals)
        if not found:
            raise ExpressionError(f"{name} has no run status; test one of its signals instead")
        return found

    def _signal(self, name: str) -> Signal:
        if name not in self._signals:
            raise ExpressionError(f"no signal '{name}'{near(name, self._signals)}")
        return self._signals[name]

    def _is(self, signal: Signal) -> Clause:
        negated = self._accept("not")
        words = [self._take("a state").strip("'\"")]
        while self._peek() and self._peek() not in _KEYWORDS:
            words.append(self._take("a state").strip("'\""))
        try:
            test = Is(signal, state_numbers(signal, [" ".join(words)]))
        except ValueError as error:
            raise ExpressionError(str(error)) from None
        return Not(test) if negated else test

    def _compare(self, signal: Signal, verb: str) -> Clause:
        number, unit = self._take("a number"), self._take("a unit")
        try:
            return Compare(signal, verb == "above", amount(f"{number} {unit}", signal))
        except ValueError as error:
            raise ExpressionError(f"{signal.name} {verb}: {error}") from None


DURATION_MAX_S: Final = 24 * 3_600.0
