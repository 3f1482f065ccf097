"""What a log's columns probably are: guesses for a first map, which a person confirms or corrects."""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import date
from itertools import islice, pairwise
from typing import Final

import numpy as np

from plantview.importing.column_map import NO_DATA
from plantview.importing.day_month import swapped, weigh
from plantview.importing.log import Log
from plantview.importing.stamps import ISO, NONE, read_stamps
from plantview.model.plant import Plant
from plantview.model.point import Point
from plantview.units import UnknownUnit, unit, units_of

SAMPLE: Final = 2_000
_DATES: Final = (
    "%d/%m/%Y",
    "%m/%d/%Y",
    "%Y-%m-%d",
    "%Y/%m/%d",
    "%d.%m.%Y",
    "%d-%m-%Y",
    "%m-%d-%Y",
    "%d-%b-%Y",
    "%d-%b-%y",
    "%d %b %Y",
    "%d/%m/%y",
    "%m/%d/%y",
    "%d.%m.%y",
)
_CLOCKS: Final = ("%H:%M:%S", "%H:%M", "%I:%M:%S %p", "%I:%M %p", "%H:%M:%S.%f")
FORMATS: Final = (ISO, *(f"{day} {clock}" for day in _DATES for clock in _CLOCKS), *_DATES)
READ_MIN: Final = 0.8
"""Share of cells that a format has to read before it is a guess; logs carry footers and torn rows."""
LIKE_MIN: Final = 0.7
"""Share of a heading's words that a point's name and label have to explain before the point is proposed."""
_LONG: Final = {
    "chw": "chilled water", "chws": "leaving chilled water", "chwr": "entering chilled water", "cw": "condenser water",
    "cws": "entering condenser water", "cwr": "leaving condenser water", "temp": "temperature", "pos": "position", "spd": "speed",
    "sts": "status", "cmd": "command", "pwr": "power", "supply": "leaving", "return": "entering", "flw": "flow", "wb": "wet bulb",
    "db": "dry bulb", "rh": "relative humidity", "sp": "setpoint", "kw": "power", "gpm": "flow",
}  # fmt: skip
"""Short words of headings -> the words of our labels (common practice, no source)."""
_SIGNS: Final = {
    "°f": "degF", "deg f": "degF", "f": "degF", "°c": "degC", "deg c": "degC", "c": "degC", "l/s": "L/s", "lps": "L/s", "gpm": "gpm",
    "usgpm": "gpm", "m3/h": "m3/h", "m³/h": "m3/h", "cmh": "m3/h", "tons": "ton", "tr": "ton", "rt": "ton", "pct": "%", "amps": "A",
    "a": "A", "volts": "V", "hrs": "h", "in.hg": "inHg", "ft wc": "ftH2O",
}  # fmt: skip
"""How units are often written in headings -> our name (common practice, no source)."""


@dataclass(frozen=True, slots=True)
class TimeGuess:
    """The time columns and every format that reads them."""

    columns: tuple[str, ...]
    formats: tuple[str, ...]
    """More than one where day and month could be either."""
    doubt: str


def sample_of(log: Log) -> dict[str, list[object]]:
    """Return the first cells of every column."""
    rows = [cells for _, cells in islice(log.rows(), SAMPLE)]
    return {
        name: [cells[place] if place < len(cells) else None for cells in rows] for place, name in enumerate(log.columns)
    }


def time_of(sample: Mapping[str, Sequence[object]]) -> TimeGuess | None:
    """Return the first column, or pair of neighbours, that some format reads."""
    names = list(sample)
    for group in [*((name,) for name in names), *pairwise(names)]:
        cells = (
            sample[group[0]]
            if len(group) == 1
            else [f"{first} {second}" for first, second in zip(sample[group[0]], sample[group[1]], strict=True)]
        )
        found = _formats(cells)
        if found and not (
            len(group) == 1 and len(names) > 1 and found[0] in _DATES and _paired(sample, group[0], found[0])
        ):
            return TimeGuess(tuple(group), *_decided(cells, found))
    return None


def _paired(sample: Mapping[str, Sequence[object]], name: str, form: str) -> bool:
    """Return whether the column behind a bare date holds the time of day."""
    names = list(sample)
    place = names.index(name) + 1
    if place >= len(names):
        return False
    both = [f"{first} {second}" for first, second in zip(sample[name], sample[names[place]], strict=True)]
    return any(_share(both, f"{form} {clock}") >= READ_MIN for clock in _CLOCKS)


def _formats(cells: Sequence[object]) -> tuple[str, ...]:
    if sum(isinstance(cell, date) for cell in cells) >= READ_MIN * max(1, len(cells)):
        return (ISO,)
    texts = [cell for cell in cells if isinstance(cell, str) and re.search(r"\d.*\D.*\d", cell)]
    if len(texts) < READ_MIN * max(1, len(cells)):
        return ()
    shares = {form: _share(texts, form) for form in FORMATS}
    best = max(shares.values())
    return tuple(form for form, share in shares.items() if share == best and best >= READ_MIN)


def _share(cells: Sequence[object], form: str) -> float:
    return float((read_stamps(cells, form).at_ms != NONE).mean()) if cells else 0.0


def _decided(cells: Sequence[object], found: tuple[str, ...]) -> tuple[tuple[str, ...], str]:
    first = found[0]
    other = swapped(first)
    if other is None or other not in found:
        return (first,), ""
    stamps = [read_stamps(cells, form).at_ms for form in (first, other)]
    # a format under which the log jumps from month to month is wrong if the other one does not
    jumps = [int((np.abs(np.diff(each[each != NONE])) > 129_600_000).sum()) for each in stamps]
    if jumps[0] != jumps[1]:
        return (
            (first,) if jumps[0] < jumps[1] else (other,)
        ), "no day is above 12; this order leaves fewer jumps in time"
    return (first, other), weigh(stamps[0], stamps[1], first, other)


def decimal_of(sample: Mapping[str, Sequence[object]]) -> str:
    """Return the decimal sign that the cells use."""
    texts = [cell.strip() for cells in sample.values() for cell in cells if isinstance(cell, str)]
    commas = sum(re.fullmatch(r"-?\d+,\d+", text) is not None for text in texts)
    points = sum(re.fullmatch(r"-?\d+\.\d+", text) is not None for text in texts)
    return "," if commas > points else "."


def long_of(sample: Mapping[str, Sequence[object]], time: TimeGuess | None) -> tuple[str, str] | None:
    """Return the name column and the value column of a long log; None where it looks wide."""
    rest = {name: cells for name, cells in sample.items() if time is None or name not in time.columns}
    numeric = [name for name, cells in rest.items() if _numeric(cells) > READ_MIN / 2]
    naming = [
        name
        for name, cells in rest.items()
        if name not in numeric
        and cells
        and 1 <= len(set(map(str, cells))) <= max(1, len(cells) // 3)
        and _numeric(cells) == 0
    ]
    if len(numeric) != 1 or not naming or len(rest) > 5:
        return None
    return max(naming, key=lambda name: len(set(map(str, rest[name])))), numeric[0]


def _numeric(cells: Sequence[object]) -> float:
    said = [str(cell).strip().replace(",", ".") for cell in cells if cell is not None]
    said = [text for text in said if text and text.lower() not in NO_DATA]
    return sum(re.fullmatch(r"-?\d+(\.\d+)?([eE][+-]?\d+)?", text) is not None for text in said) / max(1, len(said))


def unit_of(heading: str, point: Point) -> str:
    """Return the unit that a heading names in brackets, if the point's quantity knows it; else the point's own."""
    for text in re.findall(r"[(\[]([^)\]]+)[)\]]", heading):
        plain = text.strip()
        for name in (plain, _SIGNS.get(plain.lower(), "")):
            if name in units_of(point.quantity):
                return name
        for name in units_of(point.quantity):
            try:
                if unit(name, point.quantity).label.lower() == plain.lower():
                    return name
            except UnknownUnit:
                continue
    return point.unit.name


def point_of(heading: str, plant: Plant) -> Point | None:
    """Return the point that a heading names best; None where it names none, or its machine is not in it."""
    wanted = _words(re.sub(r"[(\[][^)\]]*[)\]]", "", heading))
    best, score = None, 0.0
    for point in plant.points.values():
        if not _words(point.equipment) <= wanted:
            continue
        known = _words(point.name) | _words(point.label)
        named = len(wanted & known) / max(1, len(wanted))
        # of points that explain a heading equally well the one with the fewest words beside it is meant
        likeness = named - 0.01 * len(known - wanted)
        if named >= LIKE_MIN and likeness > score and wanted & known - _words(point.equipment):
            best, score = point, likeness
    return best


def _words(text: str) -> set[str]:
    found = re.findall(r"[a-z]+|\d+", text.lower())
    return {each for word in found for each in _LONG.get(word, word).split()}
