"""Text in a time column -> a moment on the log's own clock, or on UTC where the text carries its offset."""

from __future__ import annotations

import re
import warnings
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date, datetime
from typing import Any, Final

import numpy as np
import pandas as pd
from numpy.typing import NDArray

NONE: Final = np.iinfo(np.int64).min
"""A stamp that could not be read."""
DAY_MS: Final = 86_400_000
SPREADSHEET_ZERO_MS: Final = -2_209_161_600_000
"""Day 0 of spreadsheets' serial dates, 1899-12-30 (ECMA-376 part 1, clause 18.17.4.1), as used from 1900-03-01 on."""
NUMBERED: Final = {
    "unix_s": (1_000.0, 0),
    "unix_ms": (1.0, 0),
    "spreadsheet_days": (float(DAY_MS), SPREADSHEET_ZERO_MS),
}
"""Format word -> milliseconds per unit, and where it counts from."""
ISO: Final = "iso"
_OFFSET: Final = re.compile(r"(?:Z|[+-]\d{2}:?\d{2})$")
_MIDNIGHT: Final = re.compile(r"(?<=[ T])24:00(?=(?::00(?:\.0+)?)?$)")


@dataclass(frozen=True, slots=True)
class Stamps:
    """Moments of rows, in the order of the file."""

    at_ms: NDArray[np.int64]
    """Milliseconds since 1970 on the log's clock; on UTC where ``absolute``; NONE where not readable."""
    absolute: NDArray[np.bool_]


def read_stamps(cells: Sequence[Any], form: str) -> Stamps:
    """Return the moments of a column; ``form`` is ``iso``, a word of NUMBERED, or a strptime format.

    Real dates of a spreadsheet or of Parquet are taken as they are.
    """
    at_ms = np.full(len(cells), NONE, np.int64)
    absolute = np.zeros(len(cells), bool)
    dated = [index for index, cell in enumerate(cells) if isinstance(cell, date)]
    for index in dated:
        at_ms[index], absolute[index] = _of_date(cells[index])
    rest = np.setdiff1d(np.arange(len(cells)), dated)
    if not len(rest):
        return Stamps(at_ms, absolute)
    if form in NUMBERED:
        at_ms[rest] = _numbered([cells[index] for index in rest], *NUMBERED[form])
        absolute[rest] = form != "spreadsheet_days"
    else:
        at_ms[rest], absolute[rest] = _texts([_plain(cells[index]) for index in rest], form)
    absolute &= at_ms != NONE
    return Stamps(at_ms, absolute)


def _plain(cell: object) -> str:
    return "" if cell is None else str(cell).strip()


def _of_date(cell: date) -> tuple[int, bool]:
    moment = cell if isinstance(cell, datetime) else datetime(cell.year, cell.month, cell.day)  # noqa: DTZ001
    offset = moment.utcoffset()
    since = moment.replace(tzinfo=None) - datetime(1970, 1, 1)  # noqa: DTZ001 - the log's own clock has no zone yet
    if offset is not None:
        since -= offset
    return round(since.total_seconds() * 1_000), offset is not None


def _numbered(cells: Sequence[Any], scale: float, zero_ms: int) -> NDArray[np.int64]:
    numbers = pd.to_numeric(pd.Series([_plain(cell) for cell in cells], dtype=object), errors="coerce").to_numpy(float)
    known = np.isfinite(numbers) & (np.abs(numbers) * scale < 1e15)
    return np.where(known, np.round(np.where(known, numbers, 0.0) * scale).astype(np.int64) + zero_ms, NONE)


def _texts(texts: Sequence[str], form: str) -> tuple[NDArray[np.int64], NDArray[np.bool_]]:
    late = np.array([_MIDNIGHT.search(text) is not None for text in texts])
    plain = pd.Series([_MIDNIGHT.sub("00:00", text) for text in texts], dtype=object)
    absolute = (
        np.array([_OFFSET.search(text) is not None for text in texts])
        if form == ISO
        else np.full(len(texts), "%z" in form)
    )
    at_ms = np.full(len(texts), NONE, np.int64)
    for mask, utc in ((absolute, True), (~absolute, False)):
        if mask.any():
            at_ms[mask] = _parsed(plain[mask], form, utc=utc)
    at_ms[late & (at_ms != NONE)] += DAY_MS
    return at_ms, absolute


def _parsed(texts: pd.Series[str], form: str, *, utc: bool) -> NDArray[np.int64]:
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")  # pandas warns about each of the dates that the caller counts
        found = pd.to_datetime(texts, format="ISO8601" if form == ISO else form, errors="coerce", utc=utc)
    bare = found.dt.tz_localize(None) if utc else found
    raw = bare.to_numpy("datetime64[ms]")
    return np.where(np.isnat(raw), NONE, raw.astype(np.int64))
