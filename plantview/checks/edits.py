"""The exact lines of a plant description that an accepted correction changes; shown, never written."""

from __future__ import annotations

import csv
import io
import re
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Final

from plantview.checks.correction import Edit

POINTS: Final = "points.csv"
PLANT: Final = "plant.toml"


@dataclass(frozen=True, slots=True)
class Line:
    """One line of a file, as it is and as it would be."""

    file: str
    number: int
    before: str
    after: str


def point_lines(folder: Path, edits: Iterable[Edit]) -> tuple[Line, ...]:
    """Return the lines of the point list that some edits change; none where the file cannot be read."""
    try:
        text = (folder / POINTS).read_text(encoding="utf-8-sig")
    except (OSError, UnicodeDecodeError):
        return ()
    lines = text.splitlines()
    if not lines:
        return ()
    delimiter = ";" if lines[0].count(";") > lines[0].count(",") else ","
    columns = next(csv.reader([lines[0]], delimiter=delimiter))
    wanted = {edit.point: dict(edit.cells) for edit in edits}
    new = [column for cells in wanted.values() for column in cells if column not in columns]
    named = [*columns, *dict.fromkeys(new)]
    found = [Line(POINTS, 1, lines[0], _written(named, delimiter))] if new else []
    for number, line in enumerate(lines[1:], 2):
        cells = next(csv.reader([line], delimiter=delimiter), [])
        row = dict(zip(columns, (cell.strip() for cell in cells), strict=False))
        name = f"{row.get('equipment', '')}.{row.get('measurement', '')}"
        if name in wanted:
            found.append(Line(POINTS, number, line, _changed(line, row, wanted[name], named, delimiter)))
    return tuple(found)


def _changed(line: str, row: Mapping[str, str], cells: Mapping[str, str], named: list[str], delimiter: str) -> str:
    if not cells:
        return f"#{line}"
    return _written([{**row, **cells}.get(column, "") for column in named], delimiter)


def _written(cells: list[str], delimiter: str) -> str:
    written = io.StringIO()
    csv.writer(written, delimiter=delimiter, lineterminator="").writerow(cells)
    return written.getvalue()


def refrigerant_lines(folder: Path, chiller: str, described: str, likely: str) -> tuple[Line, ...]:
    """Return the line of plant.toml that names a chiller's refrigerant: its own, else the template's that it uses."""
    try:
        lines = (folder / PLANT).read_text(encoding="utf-8").splitlines()
    except (OSError, UnicodeDecodeError):
        return ()
    old, new = f'refrigerant = "{described}"', f'refrigerant = "{likely}"'
    own = re.compile(rf'^\s*"?{re.escape(chiller)}"?\s*=')
    at = next((number for number, line in enumerate(lines) if own.match(line) and old in line), None)
    if at is None:
        at = next((number for number, line in enumerate(lines) if line.strip().startswith(old)), None)
    return () if at is None else (Line(PLANT, at + 1, lines[at], lines[at].replace(old, new)),)
