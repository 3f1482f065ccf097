"""Writes what was found as a draft point list that a person completes, row by row.

Every row of the draft begins with ``#`` in its equipment column and is skipped by plantview; taking
the ``#`` away accepts it. So nothing proposed is ever watched that nobody looked at.
"""

from __future__ import annotations

import csv
import itertools
import re
from collections import Counter
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Final

from plantview.config.addresses import BACNET_TYPES
from plantview.config.points import COLUMNS
from plantview.drivers.bacnet_facts import ObjectFacts
from plantview.model.measurements import MEASUREMENTS, measurement
from plantview.surveying.decode_table import likely
from plantview.surveying.mixups import Valued, balances, between, mixup
from plantview.surveying.modbus_sweep import BITS
from plantview.surveying.naming import equipment
from plantview.surveying.results import FoundUnit, Survey
from plantview.surveying.suggest import Seen, Suggestion, suggest_all
from plantview.surveying.unit_words import PRESSURES, our_unit

POINTS_FILE: Final = "points.csv"
DEVICES_FILE: Final = "devices.toml"
SUGGESTIONS_FILE: Final = "suggestions.csv"
DOUBTED: Final = 0.6
"""Confidence at most, where the value speaks against the unit."""
_SUGGESTION_COLUMNS: Final = (
    "device",
    "address",
    "name",
    "description",
    "value",
    "unit",
    "equipment",
    "measurement",
    "confidence",
    "reason",
    "unit_doubt",
)
_NOTHING: Final = Suggestion("", "", 0.0, "")
_NO_EQUIPMENT: Final = "#"
_FORMULA: Final = ("=", "+", "-", "@", "\t", "\r")


@dataclass(frozen=True, slots=True)
class Row:
    """One object on its way to a row."""

    device: str
    seen: ObjectFacts
    suggestion: Suggestion
    doubt: str


def rows(survey: Survey, *, suggesting: bool) -> list[Row]:
    """Return a row for every object that has a value, with suggestions if asked for."""
    names = device_names(survey)
    found = [
        (names[key], one)
        for key, device in survey.devices.items()
        for identifier in device.object_list
        if (one := device.objects.get(identifier)) is not None and one.kind in BACNET_TYPES
    ]
    if not suggesting:
        return [Row(device, one, _NOTHING, "") for device, one in found]
    suggestions = suggest_all([_seen(one) for _, one in found])
    doubts = _doubts(
        [
            valued
            for (device, one), what in zip(found, suggestions, strict=True)
            if (valued := _valued(device, one, what))
        ]
    )
    return [
        Row(device, one, _lowered(what, doubt), doubt)
        for (device, one), what in zip(found, suggestions, strict=True)
        for doubt in (doubts.get(f"{device} {one.identifier}", ""),)
    ]


def device_names(survey: Survey) -> dict[str, str]:
    """Return the name of every device in the draft: its own if it can be one and is the only one, else its instance."""
    own = {key: str(device.properties.get("object-name", "")) for key, device in survey.devices.items()}
    often = Counter(own.values())
    twice = survey.duplicates()
    names = {}
    for key, device in survey.devices.items():
        instance, address = device.announced.instance, device.announced.address
        usable = re.fullmatch(r"[A-Za-z0-9_-]{1,40}", own[key]) and often[own[key]] == 1
        unclear = re.sub(r"[^0-9A-Za-z]+", "-", address) if instance in twice else ""
        names[key] = own[key] if usable else f"BC-{instance}{unclear and '-at-' + unclear}"
    return names


def unit_name(unit: FoundUnit) -> str:
    """Return the name of a Modbus unit in the draft."""
    return f"{unit.address.rpartition(':')[0].replace('.', '-')}-U{unit.unit}"


def write(survey: Survey, folder: Path, found: Sequence[Row], *, suggesting: bool) -> list[Path]:
    """Write the draft into the folder; return the files."""
    folder.mkdir(parents=True, exist_ok=True)
    files = [folder / POINTS_FILE, folder / DEVICES_FILE]
    _write_csv(files[0], COLUMNS, itertools.chain(map(_point_cells, found), _register_cells(survey)))
    files[1].write_text(_devices_toml(survey), encoding="utf-8")
    if suggesting:
        files.append(folder / SUGGESTIONS_FILE)
        _write_csv(files[2], _SUGGESTION_COLUMNS, (_suggestion_cells(row) for row in found))
    return files


def _write_csv(file: Path, columns: Sequence[str], cells: Iterable[dict[str, str]]) -> None:
    with file.open("w", encoding="utf-8", newline="") as stream:
        writer = csv.DictWriter(stream, columns, restval="", lineterminator="\n")
        writer.writeheader()
        writer.writerows({column: _plain(text) for column, text in row.items()} for row in cells)


def _plain(text: str) -> str:
    """Return text that no spreadsheet takes for a formula: names come from devices of others."""
    return f"'{text}" if text.startswith(_FORMULA) else text


def _point_cells(row: Row) -> dict[str, str]:
    one, what = row.seen, row.suggestion
    return {
        "equipment": f"{_NO_EQUIPMENT}{what.equipment}",
        "measurement": what.measurement,
        "device": row.device,
        "address": one.identifier,
        "unit": _unit_cell(one),
        "states": _states(one),
        "description": " / ".join(filter(None, (one.name, one.description))),
    }


def _register_cells(survey: Survey) -> Iterator[dict[str, str]]:
    """Yield a row for every register that holds something, under the one type that is plausible for it."""
    for unit in survey.units.values():
        for table, words in unit.tables.items():
            if table in BITS:
                yield from (_bit_cells(unit, f"{table} {first}", words[first]) for first in sorted(words))
                continue
            taken = -1
            for first in sorted(words):
                if first > taken and words[first]:
                    best = likely(words, first, table)
                    taken = first + (1 if best.kind == "float32" else 0)
                    yield {
                        "equipment": _NO_EQUIPMENT,
                        "device": unit_name(unit),
                        "address": f"{table} {first}",
                        "type": best.kind,
                        "order": best.order,
                        "description": f"read as {best.value:.6g}",
                    }


def _bit_cells(unit: FoundUnit, address: str, value: int) -> dict[str, str]:
    return {
        "equipment": _NO_EQUIPMENT,
        "device": unit_name(unit),
        "address": address,
        "description": f"read as {'1 (on)' if value else '0 (off)'}",
    }


def _unit_cell(one: ObjectFacts) -> str:
    return "" if one.states else our_unit(one.units)


def _suggestion_cells(row: Row) -> dict[str, str]:
    one, what = row.seen, row.suggestion
    return {
        "device": row.device,
        "address": one.identifier,
        "name": one.name,
        "description": one.description,
        "value": _value_cell(one),
        "unit": one.units,
        "equipment": what.equipment,
        "measurement": what.measurement,
        "confidence": f"{what.confidence:.2f}",
        "reason": what.reason,
        "unit_doubt": row.doubt,
    }


def _value_cell(one: ObjectFacts) -> str:
    return f"{one.value:.7g}" if isinstance(one.value, float) else "" if one.value is None else str(one.value)


def _states(one: ObjectFacts) -> str:
    first = 1 if one.kind.startswith("multi") else 0
    return "|".join(f"{at}={word}" for at, word in enumerate(one.states, start=first) if word and "|" not in word)


def _seen(one: ObjectFacts) -> Seen:
    value = one.value if isinstance(one.value, int | float) else None
    return Seen(one.name, one.description, one.kind, one.units, one.states, value)


def _valued(device: str, one: ObjectFacts, what: Suggestion) -> Valued | None:
    unit = our_unit(one.units)
    if not what.equipment or not unit or not isinstance(one.value, int | float):
        return None
    kind = equipment(one.name, one.description).kind
    found = measurement(kind, what.measurement) if kind in MEASUREMENTS else None
    if found is None:
        return None
    quantity = "pressure_difference" if set(found.quantities) & PRESSURES else found.quantities[0]
    return Valued(
        f"{device} {one.identifier}", what.equipment, kind, what.measurement, quantity, unit, float(one.value)
    )


def _doubts(points: Sequence[Valued]) -> dict[str, str]:
    """Return, by place, what speaks against a unit: the value itself, an equal machine, or the chiller's heat balance."""
    found = {point.place: text for point in points if (text := mixup(point))}
    closed = balances(points)
    for point in points:
        if point.equipment in closed and point.measurement in {"chw_flow", "cw_flow", "power"}:
            found.setdefault(point.place, closed[point.equipment])
    return between(points) | found


def _lowered(what: Suggestion, doubt: str) -> Suggestion:
    if not doubt or what.confidence <= DOUBTED:
        return what
    return Suggestion(what.equipment, what.measurement, DOUBTED, f"{what.reason}; but its unit is doubted")


def _devices_toml(survey: Survey) -> str:
    """Return ``[devices]`` tables to be copied into plant.toml."""
    out = ["# Found by survey: copy into plant.toml what you want to watch.", ""]
    names = device_names(survey)
    for key, device in survey.devices.items():
        label = str(device.properties.get("description") or device.properties.get("model-name") or "")
        out += [
            f"[devices.{names[key]}]",
            f"label = {_quoted(label)}",
            'protocol = "bacnet"',
            f"address = {_quoted(device.announced.address)}",
            f"instance = {device.announced.instance}",
            "",
        ]
    for unit in survey.units.values():
        if unit.there:
            out += [
                f"[devices.{unit_name(unit)}]",
                'protocol = "modbus"',
                f"address = {_quoted(unit.address)}",
                f"unit_id = {unit.unit}",
                "",
            ]
    return "\n".join(out)


def _quoted(text: str) -> str:
    clean = "".join(char if char.isprintable() else " " for char in text)
    return '"' + clean.replace("\\", "\\\\").replace('"', '\\"') + '"'
