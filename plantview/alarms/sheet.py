"""The alarms of a plant as a sheet to discuss, and back: one CSV row per alarm, columns as in ``rows``.

A meeting decides about consequence, action, time to respond and priority; the sheet suggests the
priority that the usual grid gives (from memory): less than 3 min to respond is urgent, up to 10 min
high, up to 30 min medium, longer low.
"""

from __future__ import annotations

import csv
import io
import json
from collections.abc import Iterable, Mapping, Sequence
from typing import Any, Final

from plantview.alarms.rows import COMMON, TYPES, expand
from plantview.alarms.rules import Rule
from plantview.errors import Problem
from plantview.model.plant import Plant

REMARKS: Final = ("suggested_priority", "seen_within_s", "remark")
"""Columns that are worked out; they are not read back."""
_KEYS: Final = tuple(dict.fromkeys((*COMMON, *(key for keys in TYPES.values() for key in keys.required_or_optional))))
_FIRST: Final = ("id", "type", "point", "setpoint", "command", "device", "limit", "deadband", "within_s", "states")
COLUMNS: Final = (
    *_FIRST, *(key for key in _KEYS if key not in (*_FIRST, "each")), *REMARKS,
)  # fmt: skip
URGENT_BELOW_S: Final = 180.0
GRID: Final = ((600.0, 2), (1_800.0, 3))
ROWS_MAX: Final = 5_000
LINE_MAX: Final = 10_000
_SEPARATOR: Final = "|"
_NUMBERS: Final = frozenset(
    {
        "on_delay_s",
        "off_delay_s",
        "time_to_respond_s",
        "re_alarm_s",
        "shelve_max_s",
        "within_s",
        "priority",
        "devices_min",
    }
)
_FLAGS: Final = frozenset({"latching"})
_LISTS: Final = frozenset({"states", "follows"})


def suggested_priority(time_to_respond_s: float) -> int:
    """Return the priority that the usual grid gives."""
    if time_to_respond_s < URGENT_BELOW_S:
        return 1
    return next((priority for most_s, priority in GRID if time_to_respond_s <= most_s), 4)


def sheet(plant: Plant, rules: Iterable[Rule]) -> str:
    """Return the alarm rows of a plant as CSV, ``each`` filled in."""
    by_id = {rule.id: rule for rule in rules}
    written = io.StringIO()
    out = csv.writer(written, lineterminator="\n")
    out.writerow(COLUMNS)
    for row in expand(plant, []):
        rule = by_id.get(str(row.cells.get("id", "")))
        cells = {**row.cells, **(_remarks(rule) if rule is not None else {"remark": "has a problem: plantview check"})}
        out.writerow([_text(cells.get(column)) for column in COLUMNS])
    return written.getvalue()


def _remarks(rule: Rule) -> dict[str, Any]:
    if not rule.annunciated:
        return {"seen_within_s": rule.detection_s, "remark": "an event: journalled, calls nobody"}
    suggested = suggested_priority(rule.time_to_respond_s)
    remark = "" if suggested == rule.priority else f"the grid would give {suggested}: say why it is {rule.priority}"
    return {"suggested_priority": suggested, "seen_within_s": rule.detection_s, "remark": remark}


def _text(value: object) -> str:
    if isinstance(value, list | tuple):
        return _SEPARATOR.join(str(item) for item in value)
    if isinstance(value, bool):
        return "yes" if value else "no"
    if isinstance(value, float):
        return f"{value:g}"
    text = "" if value is None else str(value)
    return f"'{text}" if text.startswith(("=", "+", "@")) else text


def read_sheet(text: str, file: str) -> tuple[list[dict[str, Any]], list[Problem]]:
    """Return the alarm rows of a sheet, and what cannot be read; what they mean ``compile_rules`` judges."""
    problems: list[Problem] = []
    reader = csv.reader(io.StringIO(text.removeprefix("\ufeff")))
    head = [name.strip() for name in next(reader, [])]
    problems += [
        Problem(file, 1, name, "unknown column", f"known: {', '.join(COLUMNS)}")
        for name in head
        if name and name not in COLUMNS
    ]
    if "id" not in head or "type" not in head:
        problems.append(Problem(file, 1, "", "no columns 'id' and 'type'", "keep the first line of the sheet"))
    if problems:
        return [], problems
    rows: list[dict[str, Any]] = []
    for line in reader:
        if len(rows) >= ROWS_MAX:
            problems.append(Problem(file, reader.line_num, "", f"more than {ROWS_MAX} alarms", "remove some"))
            break
        cells = {name: cell.strip() for name, cell in zip(head, line, strict=False) if name not in REMARKS}
        if any(cells.values()):
            row = {name: _value(name, cell, file, reader.line_num, problems) for name, cell in cells.items() if cell}
            rows.append({**row, "line": reader.line_num, "file": file})
    return rows, problems


def _value(name: str, cell: str, file: str, line: int, problems: list[Problem]) -> object:
    if name in _LISTS:
        return tuple(part.strip() for part in cell.split(_SEPARATOR))
    if name in _FLAGS:
        if cell.lower() not in {"yes", "no"}:
            problems.append(Problem(file, line, name, f"'{cell}' is neither yes nor no", "write yes or no"))
        return cell.lower() == "yes"
    if name in _NUMBERS:
        try:
            number = float(cell)
        except ValueError:
            problems.append(
                Problem(file, line, name, f"'{cell}' is no number", "write a number, seconds without a unit")
            )
            return 0
        return int(number) if number.is_integer() else number
    return cell.removeprefix("'")


def toml_rows(rows: Sequence[Mapping[str, Any]]) -> str:
    """Return alarm rows as ``[[alarms]]`` tables for plant.toml."""
    tables = []
    for row in rows:
        keys = [key for key in ("each", *COLUMNS) if key in row and key not in REMARKS]
        tables.append("[[alarms]]\n" + "\n".join(f"{key} = {_toml(row[key])}" for key in keys) + "\n")
    return "\n".join(tables)


def _toml(value: object) -> str:
    """Return a value as TOML; a TOML basic string takes what a JSON string takes."""
    if isinstance(value, list | tuple):
        return "[" + ", ".join(_toml(item) for item in value) + "]"
    return json.dumps(value, ensure_ascii=False)
