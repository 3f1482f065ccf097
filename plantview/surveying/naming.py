"""Which equipment a point name is about, and the identifier proposed for it."""

from __future__ import annotations

import itertools
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

from plantview.surveying.trade_words import Word, words

FOREIGN: Final = frozenset({"zone", "boiler", "hot", "domestic", "other"})
"""Words of things that no chilled-water plant has."""
_SKIPPED: Final = frozenset({"number", "chw", "cw"})
_NO_PLACE: Final = frozenset({"t", "p", "f", "v"})
"""Letters that abbreviate what is measured."""


@dataclass(frozen=True, slots=True)
class Named:
    """A piece of equipment as a name tells it."""

    id: str
    """Proposed: ``CH-1``; empty if the name is about something else."""
    kind: str
    sure: float
    """How sure its words are, up to 1."""
    why: str


NOBODY: Final = Named("", "", 0.0, "no equipment of a chilled-water plant in its words")


def meant(text: str) -> set[str]:
    """Return all meanings in a text."""
    return {meaning for word in words(text) for meaning in word.meanings}


def unknown(text: str) -> list[str]:
    """Return the words of a text that say nothing."""
    return [word.text for word in words(text) if word.number is None and not word.meanings and len(word.text) > 2]


def equipment(name: str, description: str) -> Named:
    """Return the equipment that a name and a description are about."""
    all_words = words(description) + words(name)
    meanings = {meaning for word in all_words for meaning in word.meanings}
    if meanings & FOREIGN:
        return Named("", "", 0.0, f"about {', '.join(sorted(meanings & FOREIGN))}, which is no part of the plant")
    for find in (_part_of_room, _part_of_tower, _valve, _pump, _chiller, _ahu, _weather, _header):
        found = find(meanings, all_words)
        if found is not None:
            return found
    return NOBODY


def _part_of_room(meanings: set[str], _: Sequence[Word]) -> Named | None:
    leak = "leak" in meanings and bool(meanings & {"refrigerant", "ppm"})
    room = "room" in meanings and bool(meanings & {"machine", "machine_room", "refrigerant", "chiller"})
    if leak or (room and meanings & {"ventilation", "emergency", "refrigerant"}):
        return Named("MACHINE-ROOM", "machine_room", 1.0, "machine room")
    return Named("", "", 0.0, "about a room") if "room" in meanings else None


def _part_of_tower(meanings: set[str], all_words: Sequence[Word]) -> Named | None:
    if "tower" not in meanings and "basin" not in meanings:
        return None
    if "basin" in meanings:
        return Named("CT-BASIN", "basin", 1.0, "tower basin")
    if "bypass" in meanings:
        return Named("V-TB", "valve", 0.9, "tower bypass valve")
    number = _number(all_words, {"tower"})
    fan = bool(meanings & {"fan", "vibration", "vfd", "speed"})
    name = f"CT-{number}" if number else "CT"
    what = f"tower cell {number or '?'}"
    if not fan:
        return _numbered(name, "tower_cell", number, what)
    letter = _letter(all_words, "fan")
    return _numbered(f"{name}-FAN{letter and '-' + letter}", "fan", number, f"fan{letter and ' ' + letter} of {what}")


def _valve(meanings: set[str], all_words: Sequence[Word]) -> Named | None:
    if "valve" not in meanings or meanings & {"ahu", "coil"}:
        return None
    number = (
        _number(all_words, {"chiller"}) or _number(all_words, {"valve", "isolation"}) or _number_after(all_words, "v")
    )
    side = "CW" if meanings & {"cw", "cond"} else "CH"
    what = f"{'condenser' if side == 'CW' else 'chilled'} water valve {number or '?'}"
    if "bypass" in meanings:
        return Named("V-BYP", "valve", 0.8, "bypass valve")
    return _numbered(f"V-{side}{number or ''}", "valve", number, what)


def _pump(meanings: set[str], all_words: Sequence[Word]) -> Named | None:
    if "pump" not in meanings:
        return None
    number = _number(all_words, {"pump"})
    cw = bool(meanings & {"cw", "cond"})
    if not cw and not meanings & {"chw", "evap"}:
        return _numbered(f"P-{number or ''}".rstrip("-"), "pump", number, "a pump of unknown water", 0.6)
    tier = "P" if "primary" in meanings else "S" if "secondary" in meanings else ""
    name = "CWP" if cw else f"{tier}CHWP"
    water = "condenser water" if cw else {"P": "primary ", "S": "secondary ", "": ""}[tier] + "chilled water"
    return _numbered(f"{name}-{number}" if number else name, "pump", number, f"{water} pump {number or '?'}")


def _chiller(meanings: set[str], all_words: Sequence[Word]) -> Named | None:
    if "chiller" not in meanings:
        return None
    number = _number(all_words, {"chiller"})
    abbreviated = not number and not any(
        word.text.startswith("chil") or word.text.startswith("chl") for word in all_words
    )
    if abbreviated:  # a bare "ch" is as often chilled water
        return None
    return _numbered(f"CH-{number}" if number else "CH", "chiller", number, f"chiller {number or '?'}")


def _ahu(meanings: set[str], all_words: Sequence[Word]) -> Named | None:
    if "ahu" not in meanings:
        return None
    number = _number(all_words, {"ahu"}) or _number_after(all_words, "unit")
    place = _letter(all_words, "ahu")
    number = number or (_number_after(all_words, place.lower()) if place else None)
    name = f"{place}{number or ''}"
    return _numbered(f"AHU-{name}".rstrip("-"), "coil", number, f"coil of air handler {name or '?'}")


def _weather(meanings: set[str], _: Sequence[Word]) -> Named | None:
    if meanings & {"weather", "barometric"} or ("wet" in meanings and "bulb" in meanings):
        return Named("WEATHER", "weather", 1.0, "outdoor air")
    return None


def _header(meanings: set[str], all_words: Sequence[Word]) -> Named | None:
    cold = bool(meanings & {"chw", "evap"}) or any(word.text == "ch" for word in all_words)
    water = "chw" if cold else "cw" if meanings & {"cw"} or ("cond" in meanings and "water" in meanings) else ""
    if not water:
        return None
    back = bool(meanings & {"return"}) and "diff" not in meanings
    said = bool(meanings & {"header", "supply", "return", "diff"})
    name = f"{water}-{'return' if back else 'supply'}"
    return Named(name, "header", 1.0 if said else 0.8, f"{'chilled' if cold else 'condenser'} water header")


def _numbered(name: str, kind: str, number: int | None, what: str, sure: float = 1.0) -> Named:
    return Named(name, kind, sure if number else sure - 0.25, what + ("" if number else " (which one is not said)"))


def _number(all_words: Sequence[Word], about: set[str]) -> int | None:
    """Return the number behind a word of one of the meanings; "no." or the water's name may stand between."""
    for at, word in enumerate(all_words):
        if about & set(word.meanings):
            for later in all_words[at + 1 : at + 3]:
                if later.number is not None:
                    return later.number
                if not set(later.meanings) <= _SKIPPED or not later.meanings:
                    break
    return None


def _letter(all_words: Sequence[Word], about: str) -> str:
    """Return the single letter behind a word, by which equal machines are told apart: FAN-A, AHU-N1."""
    for word, later in itertools.pairwise(all_words):
        if about in word.meanings and len(later.text) == 1 and later.number is None and later.text not in _NO_PLACE:
            return later.text.upper()
    return ""


def _number_after(all_words: Sequence[Word], text: str) -> int | None:
    """Return the number behind a word as written; the water's name may stand between."""
    for at, word in enumerate(all_words):
        if word.text == text:
            return next((later.number for later in all_words[at + 1 : at + 3] if later.number is not None), None)
    return None
