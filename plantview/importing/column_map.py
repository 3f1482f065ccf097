"""The map that a person writes: which column of a foreign log is which point, in which unit, on which clock.

::

    schema = 1
    [file]                      # may be left out; what is not given is found out
    separator = ";"
    header_line = 3
    layout = "wide"             # wide: a column per point; long: a row per reading
    [time]
    columns = ["Date", "Time"]  # joined by a blank
    format = "%d/%m/%Y %H:%M"   # or iso, unix_s, unix_ms, spreadsheet_days
    zone = "Europe/London"
    repeated_hour = "by order"  # the autumn night: by order of rows, earlier or later pass
    [long]                      # only in the long layout
    name = "Point"
    value = "Value"
    [cells]
    decimal = ","
    no_data = ["No Data", "---"]
    [[columns]]
    column = "CH1 CHWS Temp"    # in the long layout: what stands in the name column
    point = "CH-1.chws_temp"
    unit = "degF"               # of a state: states = { Off = 0, On = 1 } where the plant's own words differ
"""

from __future__ import annotations

import tomllib
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Final, Literal
from zoneinfo import ZoneInfo

from pydantic import Field

from plantview.config.positions import Positions
from plantview.config.problems import Problems, Strict, near
from plantview.errors import ConfigError, Problem
from plantview.importing.log import Shape
from plantview.importing.stamps import ISO, NUMBERED
from plantview.model.plant import Plant
from plantview.model.point import Point
from plantview.units import Unit, UnknownUnit, unit

SCHEMA: Final = 1
NO_DATA: Final = (
    "no data",
    "nodata",
    "null",
    "none",
    "nan",
    "n/a",
    "na",
    "#n/a",
    "-",
    "--",
    "---",
    "bad",
    "error",
    "fault",
    "offline",
)
"""Words that mean "there is no value" in any log, in lower case (common practice, no source)."""
UNDECIDED: Final = "?"
"""Stands in a first map where a person has to decide."""


class FileTable(Strict):
    """``[file]``."""

    layout: Literal["wide", "long"] = "wide"
    separator: str = ""
    encoding: str = ""
    header_line: int = Field(0, ge=0)
    sheet: str = ""


class TimeTable(Strict):
    """``[time]``."""

    columns: list[str] = Field(min_length=1, max_length=4)
    format: str
    zone: str
    repeated_hour: Literal["by order", "earlier", "later"] = "by order"


class LongTable(Strict):
    """``[long]``."""

    name: str
    value: str


class CellTable(Strict):
    """``[cells]``."""

    decimal: Literal[".", ","] = "."
    thousands: Literal["", ".", ",", " ", "'"] = ""
    no_data: list[str] = Field(default_factory=list)


class ColumnTable(Strict):
    """One ``[[columns]]``."""

    column: str
    point: str
    unit: str = ""
    states: dict[str, int] = Field(default_factory=dict)


@dataclass(frozen=True, slots=True)
class Column:
    """One column, or one name of a long log, bound to its point."""

    name: str
    point: Point
    unit: Unit
    """Of the numbers in the log; history keeps them in the point's own."""
    words: Mapping[str, float]
    """Of a state: word in lower case -> number."""


@dataclass(frozen=True, slots=True)
class ColumnMap:
    """A map that fits the plant."""

    shape: Shape
    long: LongTable | None
    time: TimeTable
    cells: CellTable
    columns: tuple[Column, ...]


def read_map(file: Path, plant: Plant) -> ColumnMap:
    """Return the map; ConfigError holds everything that is wrong in it, with its lines."""
    try:
        text = file.read_text(encoding="utf-8")
        raw = tomllib.loads(text)
    except (OSError, UnicodeDecodeError) as error:
        remedy = "write one with: plantview import --start-map LOG PLANT_DIR"
        raise ConfigError(file, [Problem(str(file), 0, "", f"cannot be read: {error}", remedy)]) from error
    except tomllib.TOMLDecodeError as error:
        raise ConfigError(file, [Problem(str(file), 0, "", f"is not valid TOML: {error}", "correct it")]) from error
    problems = Problems(str(file), Positions(text))
    made = _map(raw, plant, problems)
    if made is None or problems.found:
        raise ConfigError(file, sorted(problems.found, key=lambda item: item.line))
    return made


def _map(raw: Mapping[str, Any], plant: Plant, problems: Problems) -> ColumnMap | None:
    known = ("schema", "file", "time", "long", "cells", "columns")
    for key in raw:
        if key not in known:
            problems.add((key,), f"unknown key '{key}'", near(key, known))
    if raw.get("schema") != SCHEMA:
        problems.add(("schema",), f"schema is {raw.get('schema')!r}", f"write schema = {SCHEMA}")
    file = problems.parse(FileTable, raw.get("file", {}), ("file",))
    time = problems.parse(TimeTable, raw.get("time", {}), ("time",))
    cells = problems.parse(CellTable, raw.get("cells", {}), ("cells",))
    long = problems.parse(LongTable, raw.get("long"), ("long",)) if file and file.layout == "long" else None
    columns = _columns(raw.get("columns", []), plant, problems)
    if time is not None:
        _check_time(time, problems)
    if cells is not None and cells.decimal == cells.thousands:
        problems.add(("cells", "thousands"), "is the decimal sign too", "leave one of them out")
    if file is None or time is None or cells is None:
        return None
    shape = Shape(file.encoding, file.separator, file.header_line, file.sheet)
    return ColumnMap(shape, long, time, cells, columns)


def _check_time(time: TimeTable, problems: Problems) -> None:
    if time.format == UNDECIDED:
        problems.add(("time", "format"), "day and month are not decided yet", "write one of the formats in the comment")
    elif time.format not in {ISO, *NUMBERED} and "%" not in time.format:
        forms = ", ".join((ISO, *NUMBERED))
        problems.add(
            ("time", "format"), f"'{time.format}' is no format", f"write {forms}, or one such as %d/%m/%Y %H:%M"
        )
    try:
        ZoneInfo(time.zone)
    except (ValueError, OSError, KeyError):
        remedy = "write an IANA zone such as America/Chicago, UTC, or Etc/GMT+6 for a clock without summer time"
        problems.add(("time", "zone"), f"there is no zone '{time.zone}'", remedy)


def _columns(rows: object, plant: Plant, problems: Problems) -> tuple[Column, ...]:
    if not isinstance(rows, list) or not rows:
        problems.add(("columns",), "no column is mapped to a point", "write [[columns]] with column, point and unit")
        return ()
    found: list[Column] = []
    for index, raw in enumerate(rows):
        row = problems.parse(ColumnTable, raw, ("columns", index))
        column = _column(row, plant, problems, index) if row is not None else None
        if column is not None:
            found.append(column)
    _once([item.name for item in found], "column", problems)
    _once([item.point.name for item in found], "point", problems)
    return tuple(found)


def _column(row: ColumnTable, plant: Plant, problems: Problems, index: int) -> Column | None:
    point = plant.points.get(row.point)
    if point is None:
        remedy = (
            f"{near(row.point, plant.points)}; derived values are worked out, not imported; or leave this column out"
        )
        problems.add(("columns", index, "point"), f"the plant has no point '{row.point}'", remedy)
        return None
    if point.states:
        return Column(row.column, point, point.unit, _words(row, point, problems, index))
    try:
        given = unit(row.unit, point.quantity)
    except UnknownUnit as error:
        wrong, _, remedy = str(error).partition("; ")
        problems.add(("columns", index, "unit"), wrong, remedy or "correct the unit")
        return None
    return Column(row.column, point, given, {})


def _words(row: ColumnTable, point: Point, problems: Problems, index: int) -> Mapping[str, float]:
    for word, number in row.states.items():
        if number not in point.states:
            known = ", ".join(f"{each}={said}" for each, said in point.states.items())
            problems.add(
                ("columns", index, "states"),
                f"'{word}' is {number}, which {point.name} does not have",
                f"it has {known}",
            )
    own = {word.lower(): float(number) for number, word in point.states.items()}
    return own | {word.strip().lower(): float(number) for word, number in row.states.items()}


def _once(names: list[str], what: str, problems: Problems) -> None:
    for index, name in enumerate(names):
        if name in names[:index]:
            problems.add(("columns", index, what), f"{what} '{name}' is mapped twice", "leave one of them out")
