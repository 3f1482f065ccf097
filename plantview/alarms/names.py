"""Finding what an alarm row names: signals, states, run states; and the near miss if it is not there."""

from __future__ import annotations

import difflib
from collections.abc import Iterable, Mapping

from plantview.derive.gates import is_on as state_means_on
from plantview.model.plant import Plant
from plantview.model.signal import Signal


def near(name: str, known: Iterable[str]) -> str:
    """Return ``; did you mean X?`` or nothing."""
    found = difflib.get_close_matches(name, list(known), n=1, cutoff=0.6)
    return f"; did you mean {found[0]}?" if found else ""


def state_numbers(signal: Signal, words: Iterable[str]) -> frozenset[int]:
    """Return the numbers of state words, whatever their case; ValueError names the states there are."""
    if not signal.states:
        raise ValueError(f"{signal.name} is no state; compare it with 'above' or 'below' a number with a unit")
    by_word = {word.upper(): number for number, word in signal.states.items()}
    wrong = [word for word in words if word.upper() not in by_word]
    if wrong:
        raise ValueError(f"{signal.name} has no state '{wrong[0]}'; its states are {', '.join(signal.states.values())}")
    return frozenset(by_word[word.upper()] for word in words)


def state_word(signal: Signal, value: float) -> str:
    """Return the word of a state, or its number where the point list has no word."""
    return signal.states.get(round(value), f"{value:g}")


def is_on(signal: Signal, value: float) -> bool | None:
    """Return whether a command or a run status means "on", by its word if it has one; None if the word says neither."""
    return state_means_on(signal.states, value)


def runs_by(equipment: str, plant: Plant, signals: Mapping[str, Signal]) -> tuple[Signal, ...]:
    """Return the run states of a machine: its own, or those of its parts."""
    own = signals.get(f"{equipment}.status")
    if own is not None:
        return (own,)
    parts = (item.id for item in plant.equipment.values() if item.part_of == equipment)
    return tuple(signals[name] for part in parts if (name := f"{part}.status") in signals)
