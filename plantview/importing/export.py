"""History as a log for others: CSV for spreadsheets, Parquet for programs; read day by day, never whole.

One row per moment at which any of the points was read. A point that was not read then has an
empty cell and an empty quality; one whose reading was BAD has an empty cell and the quality BAD.
"""

from __future__ import annotations

import contextlib
import csv
import io
import os
from collections.abc import Callable, Iterator, Mapping, Sequence
from datetime import UTC, datetime
from pathlib import Path
from typing import Any, Final
from zoneinfo import ZoneInfo

import numpy as np
from numpy.typing import NDArray

from plantview.clock import utc_text
from plantview.errors import HistoryError, LogUnreadable
from plantview.history import Samples
from plantview.importing.log import EXTRA
from plantview.model.quality import Quality
from plantview.model.signal import Signal
from plantview.units import Unit, shown

DAY_MS: Final = 86_400_000
QUALITY_WORDS: Final = tuple(quality.name for quality in Quality)
IN_PART: Final = "BAD IN PART"

Read = Callable[[str, int, int], Samples]
"""Samples of a name with ``from_ms <= at < to_ms``, in the unit of its signal."""
Told = Callable[[int, int], None]
Laid = tuple[NDArray[np.int64], list[tuple[NDArray[np.float64], NDArray[np.int8]]]]
"""Moments, and per signal its numbers and qualities at them."""


def unit_shown(signal: Signal, system: str) -> tuple[Unit, int | None]:
    """Return the unit of an export, and its decimals; None for numbers exactly as reported."""
    return (signal.unit, None) if system == "reported" else shown(signal.quantity, system)


def in_unit(values: NDArray[np.float64], signal: Signal, system: str) -> NDArray[np.float64]:
    """Return reported numbers in the unit of the export, with two digits more than a page shows."""
    unit, digits = unit_shown(signal, system)
    if digits is None or signal.states:
        return values
    factor, offset = signal.unit.factor / unit.factor, (signal.unit.offset - unit.offset) / unit.factor
    return np.round(values * factor + offset, digits + 2)


def days(from_ms: int, to_ms: int) -> Iterator[tuple[int, int]]:
    """Return the UTC days of a span, the first and the last one cut."""
    start = from_ms
    while start < to_ms:
        end = min(to_ms, (start // DAY_MS + 1) * DAY_MS)
        yield start, end
        start = end


def aligned(signals: Sequence[Signal], read: Read, from_ms: int, to_ms: int) -> Laid:
    """Return all moments of a span, and per signal its numbers and qualities at them (-1: not read then)."""
    found = [read(signal.name, from_ms, to_ms) for signal in signals]
    at_ms = np.unique(np.concatenate([samples.at_ms for samples in found])) if found else np.empty(0, np.int64)
    laid = []
    for samples in found:
        values, quality = np.full(len(at_ms), np.nan), np.full(len(at_ms), -1, np.int8)
        place = np.searchsorted(at_ms, samples.at_ms)
        values[place] = np.where(samples.quality >= Quality.BAD, np.nan, samples.values)
        quality[place] = samples.quality
        laid.append((values, quality))
    return at_ms, laid


def csv_head(signals: Sequence[Signal], zone: str, system: str) -> str:
    """Return the first line: units stand in it."""
    names = ["utc", f"local ({zone})"]
    for signal in signals:
        label = unit_shown(signal, system)[0].label
        names += [f"{signal.name} [{label}]" if label else signal.name, f"{signal.name} quality"]
    return _line(names)


def csv_rows(
    signals: Sequence[Signal],
    at_ms: NDArray[np.int64],
    laid: Sequence[tuple[NDArray[np.float64], NDArray[Any]]],
    zone: str,
    system: str,
) -> str:
    """Return one line per moment."""
    out = io.StringIO()
    writer = csv.writer(out, lineterminator="\r\n")
    local = ZoneInfo(zone)
    cells = [
        _texts(signal, in_unit(values, signal, system), quality)
        for signal, (values, quality) in zip(signals, laid, strict=True)
    ]
    for row, at in enumerate(at_ms.tolist()):
        moment = datetime.fromtimestamp(at / 1_000, UTC).astimezone(local)
        told = [utc_text(at), moment.strftime("%Y-%m-%d %H:%M:%S.") + f"{at % 1_000:03d}"]
        for texts, words in cells:
            told += [texts[row], words[row]]
        writer.writerow(told)
    return out.getvalue()


def _line(cells: Sequence[str]) -> str:
    out = io.StringIO()
    csv.writer(out, lineterminator="\r\n").writerow(cells)
    return out.getvalue()


def _texts(signal: Signal, values: NDArray[np.float64], quality: NDArray[Any]) -> tuple[list[str], list[str]]:
    states: Mapping[int, str] = signal.states
    texts = [
        "" if value != value else states.get(int(value), str(int(value))) if states else repr(value)  # noqa: PLR0124 - NaN
        for value in values.tolist()
    ]
    return texts, [_quality_word(mark, text) for mark, text in zip(quality.tolist(), texts, strict=True)]


def _quality_word(mark: int, text: str) -> str:
    if not 0 <= mark < len(QUALITY_WORDS):
        return ""
    # a row that stands for a while may have a number and a gap
    return IN_PART if mark == Quality.BAD and text else QUALITY_WORDS[mark]


def write_csv(
    target: Path, signals: Sequence[Signal], read: Read, span: tuple[int, int], zone: str, system: str, told: Told
) -> int:
    """Write a CSV file whole or not at all; return how many rows it has."""
    rows = 0
    with _whole(target) as part, part.open("w", encoding="utf-8", newline="") as file:
        # spreadsheets take UTF-8 for what it is only behind this mark
        file.write("\ufeff" + csv_head(signals, zone, system))
        for at_ms, laid in _laid(signals, read, span, told):
            file.write(csv_rows(signals, at_ms, laid, zone, system))
            rows += len(at_ms)
    return rows


def write_parquet(
    target: Path, signals: Sequence[Signal], read: Read, span: tuple[int, int], system: str, told: Told
) -> int:
    """Write a Parquet file whole or not at all, one row group per day; return how many rows it has."""
    try:
        import pyarrow as pa  # noqa: PLC0415 - an extra that only this file kind needs
        from pyarrow import parquet  # noqa: PLC0415
    except ImportError as error:
        raise LogUnreadable(f"writing Parquet needs the package pyarrow; {EXTRA}, or use --format csv") from error
    fields = [pa.field("utc", pa.timestamp("ms", tz="UTC"))]
    for signal in signals:
        told_of = {
            "unit": unit_shown(signal, system)[0].label,
            "states": str(dict(signal.states)) if signal.states else "",
        }
        fields += [
            pa.field(signal.name, pa.float64(), metadata=told_of),
            pa.field(f"{signal.name} quality", pa.dictionary(pa.int8(), pa.string())),
        ]
    schema, rows = pa.schema(fields), 0
    words = pa.array(QUALITY_WORDS)
    with _whole(target) as part, parquet.ParquetWriter(part, schema, compression="zstd") as writer:
        for at_ms, laid in _laid(signals, read, span, told):
            columns = [pa.array(at_ms, pa.timestamp("ms", tz="UTC"))]
            for signal, (values, quality) in zip(signals, laid, strict=True):
                numbers = in_unit(values, signal, system)
                columns.append(pa.array(numbers, mask=np.isnan(numbers)))
                columns.append(
                    pa.DictionaryArray.from_arrays(pa.array(np.maximum(quality, 0), mask=quality < 0), words)
                )
            if len(at_ms):
                writer.write_table(pa.Table.from_arrays(columns, schema=schema))
            rows += len(at_ms)
    return rows


def _laid(signals: Sequence[Signal], read: Read, span: tuple[int, int], told: Told) -> Iterator[Laid]:
    """Yield the rows of one day after the other, so that a long span takes little memory."""
    for start, end in days(*span):
        yield aligned(signals, read, start, end)
        told(end - span[0], span[1] - span[0])


@contextlib.contextmanager
def _whole(target: Path) -> Iterator[Path]:
    """Give a name to write to; the file appears under its own when it is complete and on the disk, or not at all."""
    part = target.with_name(f".{target.name}.{os.getpid()}.part")
    try:
        yield part
        with part.open("rb+") as file:
            os.fsync(file.fileno())
        part.replace(target)
        folder = os.open(target.parent, os.O_RDONLY | os.O_DIRECTORY)
        try:
            os.fsync(folder)
        finally:
            os.close(folder)
    except OSError as error:
        raise HistoryError(
            f"{target} cannot be written: {error.strerror or error}; choose another with --out"
        ) from error
    finally:
        part.unlink(missing_ok=True)
