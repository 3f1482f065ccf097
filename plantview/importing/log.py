"""A foreign log as rows of cells, whatever file it is in: CSV, spreadsheet or Parquet.

Rows are read as a stream and may be read several times; only one row is in memory at once.
"""

from __future__ import annotations

import csv
import zipfile
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Final

from plantview.errors import LogUnreadable

Row = tuple[int, Sequence[Any]]
"""Line in the file, counted from 1, and its cells: text, or what a spreadsheet or Parquet holds."""

SUFFIXES: Final = (".csv", ".txt", ".tsv", ".xlsx", ".parquet")
SEPARATORS: Final = ",;\t|"
HEAD_BYTES: Final = 1 << 20
HEAD_LINES: Final = 50
COLUMNS_MAX: Final = 5_000
EXTRA: Final = "install it beside plantview: pip install openpyxl pyarrow"


@dataclass(frozen=True, slots=True)
class Shape:
    """How the cells lie in the file; empty or 0 where it is to be found out."""

    encoding: str = ""
    separator: str = ""
    header_line: int = 0
    sheet: str = ""


FOUND_OUT: Final = Shape()


@dataclass(frozen=True, slots=True)
class Log:
    """An opened log: the names of its columns, and its rows as often as they are wanted."""

    path: Path
    shape: Shape
    columns: tuple[str, ...]
    rows: Callable[[], Iterator[Row]]


def open_log(path: Path, shape: Shape = FOUND_OUT) -> Log:
    """Return the log; LogUnreadable says why it cannot be read and what to do."""
    if path.suffix.lower() not in SUFFIXES:
        raise LogUnreadable(f"{path.name} is no kind of file that can be read; save it as {', '.join(SUFFIXES)}")
    if not path.is_file():
        raise LogUnreadable(f"there is no file {path}; check the path")
    opened = {".xlsx": _spreadsheet, ".parquet": _parquet}.get(path.suffix.lower(), _text)(path, shape)
    if not opened.columns or len(opened.columns) > COLUMNS_MAX:
        raise LogUnreadable(
            f"{path.name}: {len(opened.columns)} columns were found (1 to {COLUMNS_MAX} can be read);"
            " give header_line and separator in [file] of the map"
        )
    return opened


def _text(path: Path, shape: Shape) -> Log:
    encoding = shape.encoding or _encoding(path)
    try:
        with path.open(encoding=encoding, errors="replace", newline="") as file:
            head = [line for line, _ in zip(file, range(HEAD_LINES), strict=False)]
    except LookupError:
        raise LogUnreadable(f"there is no encoding '{encoding}'; write utf-8, utf-16 or cp1252") from None
    separator = shape.separator or max(SEPARATORS, key=lambda each: _evenness(head, each))
    if len(separator) != 1:
        raise LogUnreadable(f"the separator must be one character, not '{separator}'; write ',' ';' or '\\t'")
    known = Shape(encoding, separator, shape.header_line or _header_line(head, separator))

    def rows() -> Iterator[Row]:
        with path.open(encoding=encoding, errors="replace", newline="") as file:
            reader = csv.reader(file, delimiter=separator)
            try:
                for cells in reader:
                    if cells:
                        yield reader.line_num, cells
            except csv.Error as error:
                raise LogUnreadable(f"{path.name}, line {reader.line_num}: {error}; is the separator right?") from error

    return _below_header(path, known, rows)


def _encoding(path: Path) -> str:
    with path.open("rb") as file:
        head = file.read(HEAD_BYTES)
    if head.startswith((b"\xff\xfe", b"\xfe\xff")):
        return "utf-16"
    try:
        # the last character may be cut in the middle
        head[: -4 if len(head) == HEAD_BYTES else None].decode("utf-8")
    except UnicodeDecodeError:
        return "cp1252"
    return "utf-8-sig"


def _fields(line: str, separator: str) -> int:
    return len(next(csv.reader([line], delimiter=separator), []))


def _evenness(head: Sequence[str], separator: str) -> tuple[int, int]:
    """Return how many lines agree on the commonest number of fields, and that number."""
    counts = [_fields(line, separator) for line in head]
    several = [count for count in counts if count > 1]
    if not several:
        return 0, 0
    commonest = max(set(several), key=lambda count: (several.count(count), count))
    return several.count(commonest), commonest


def _header_line(head: Sequence[str], separator: str) -> int:
    """Return the first line with as many fields as most have: titles above a table are shorter."""
    wanted = max(2, _evenness(head, separator)[1])
    return next((number for number, line in enumerate(head, 1) if _fields(line, separator) >= wanted), 1)


def _spreadsheet(path: Path, shape: Shape) -> Log:
    try:
        from openpyxl import load_workbook  # noqa: PLC0415 - an extra that only this file kind needs
        from openpyxl.utils.exceptions import InvalidFileException  # noqa: PLC0415
    except ImportError as error:
        raise LogUnreadable(f"reading .xlsx needs the package openpyxl; {EXTRA}") from error
    try:
        book = load_workbook(path, read_only=True, data_only=True)
    except (InvalidFileException, zipfile.BadZipFile, KeyError, ValueError, OSError) as error:
        raise LogUnreadable(
            f"{path.name} is no readable spreadsheet ({error}); save it again as .xlsx or .csv"
        ) from error
    sheet = shape.sheet or book.sheetnames[0]
    if sheet not in book.sheetnames:
        raise LogUnreadable(f"{path.name} has no sheet '{sheet}'; it has: {', '.join(book.sheetnames)}")

    def rows() -> Iterator[Row]:
        for number, cells in enumerate(book[sheet].iter_rows(values_only=True), 1):
            if any(cell is not None for cell in cells):
                yield number, cells

    known = Shape("", "", shape.header_line or _first_full(rows()), sheet)
    return _below_header(path, known, rows)


def _first_full(rows: Iterator[Row]) -> int:
    head = [
        (line, sum(cell is not None for cell in cells))
        for (line, cells), _ in zip(rows, range(HEAD_LINES), strict=False)
    ]
    most = max((filled for _, filled in head), default=0)
    return next((line for line, filled in head if filled >= max(2, most // 2 + 1)), 1)


def _parquet(path: Path, _shape: Shape) -> Log:
    try:
        import pyarrow  # noqa: PLC0415, ICN001 - an extra that only this file kind needs
        from pyarrow import parquet  # noqa: PLC0415
    except ImportError as error:
        raise LogUnreadable(f"reading Parquet needs the package pyarrow; {EXTRA}") from error
    try:
        names = tuple(parquet.ParquetFile(path).schema_arrow.names)
    except (pyarrow.ArrowException, OSError) as error:
        raise LogUnreadable(f"{path.name} is no readable Parquet file: {error}") from error

    def rows() -> Iterator[Row]:
        number = 0
        for batch in parquet.ParquetFile(path).iter_batches(batch_size=16_384):
            for cells in zip(*(column.to_pylist() for column in batch.columns), strict=True):
                number += 1
                yield number, cells

    return Log(path, Shape(header_line=0), _distinct(names), rows)


def _below_header(path: Path, shape: Shape, rows: Callable[[], Iterator[Row]]) -> Log:
    header = next((cells for line, cells in rows() if line >= shape.header_line), ())
    names = tuple("" if cell is None else str(cell).strip().lstrip("\ufeff") for cell in header)

    def below() -> Iterator[Row]:
        return (row for row in rows() if row[0] > shape.header_line)

    return Log(path, shape, _distinct(names), below)


def _distinct(names: Sequence[str]) -> tuple[str, ...]:
    """Return the names; a repeated one gets the number of its appearance behind it."""
    seen: dict[str, int] = {}
    found = []
    for place, plain in enumerate(names, 1):
        name = plain or f"column {place}"
        seen[name] = seen.get(name, 0) + 1
        found.append(name if seen[name] == 1 else f"{name} ({seen[name]})")
    return tuple(found)
