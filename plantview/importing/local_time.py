"""The log's own clock -> UTC: the night of 23 hours, the night of 25 hours, and the order of rows."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from plantview.importing.stamps import NONE, Stamps

REPEATED: Final = ("by order", "earlier", "later")
"""What a stamp of the repeated autumn hour means: told by the order of rows, or always the same pass."""
CLEARLY: Final = 3


@dataclass(frozen=True, slots=True)
class Moments:
    """UTC of every row, in the order of the file, and what had to be decided or given up."""

    utc_ms: NDArray[np.int64]
    """NONE where there is no such moment."""
    unreadable: NDArray[np.bool_]
    skipped_hour: NDArray[np.bool_]
    """Local times that the spring night does not have."""
    second_pass: NDArray[np.bool_]
    """Rows of the repeated hour that were taken as its second pass."""
    one_pass: NDArray[np.bool_]
    """Rows of a repeated hour that the log holds only once: taken as the first pass."""
    newest_first: NDArray[np.bool_]
    """Rows of series that are written newest first."""


def to_utc(stamps: Stamps, zone: str, repeated: str, series: NDArray[np.int32]) -> Moments:
    """Return UTC of every row; ``series`` numbers the series that each row belongs to (one in a wide log)."""
    count = len(stamps.at_ms)
    readable = stamps.at_ms != NONE
    earlier, later = stamps.at_ms.copy(), stamps.at_ms.copy()
    naive = readable & ~stamps.absolute
    if naive.any():
        local = pd.DatetimeIndex(stamps.at_ms[naive].astype("datetime64[ms]"))
        earlier[naive] = _localized(local, zone, first=True)
        later[naive] = _localized(local, zone, first=False)
    skipped = readable & (earlier == NONE)
    moments = Moments(earlier, ~readable, skipped, *(np.zeros(count, bool) for _ in range(3)))
    twice = np.flatnonzero(readable & ~skipped & (earlier != later))
    _mark_order(stamps.at_ms, series, readable, moments.newest_first)
    if repeated == "later":
        moments.second_pass[twice] = True
    elif repeated == "by order":
        _passes(stamps.at_ms, series, twice, moments)
    moments.utc_ms[moments.second_pass] = later[moments.second_pass]
    return moments


def _localized(local: pd.DatetimeIndex, zone: str, *, first: bool) -> NDArray[np.int64]:
    aware = local.tz_localize(zone, ambiguous=np.full(len(local), first), nonexistent="NaT")
    raw = aware.tz_convert("UTC").tz_localize(None).to_numpy("datetime64[ms]")
    return np.where(np.isnat(raw), NONE, raw.astype(np.int64))


def _mark_order(
    at_ms: NDArray[np.int64], series: NDArray[np.int32], readable: NDArray[np.bool_], newest_first: NDArray[np.bool_]
) -> None:
    rows = np.flatnonzero(readable)
    order = rows[np.argsort(series[rows], kind="stable")]
    same = series[order][1:] == series[order][:-1]
    steps = np.diff(at_ms[order])
    numbers = int(series.max(initial=0)) + 1
    down, up = (np.bincount(series[order][1:][same & mask], minlength=numbers) for mask in (steps < 0, steps > 0))
    # a few rows out of order do not turn a log round
    newest_first[:] = (down > CLEARLY * up)[series]


def _passes(at_ms: NDArray[np.int64], series: NDArray[np.int32], twice: NDArray[np.intp], moments: Moments) -> None:
    """Walk each repeated hour of each series in its own order: where the clock steps back, the second pass begins."""
    nights: dict[tuple[int, int], list[int]] = {}
    for row in twice.tolist():
        nights.setdefault((int(series[row]), int(at_ms[row]) // 86_400_000), []).append(row)
    for found in nights.values():
        rows = found[::-1] if moments.newest_first[found[0]] else found
        turned = next((place for place in range(1, len(rows)) if at_ms[rows[place]] <= at_ms[rows[place - 1]]), None)
        if turned is None:
            moments.one_pass[rows] = True
        else:
            moments.second_pass[rows[turned:]] = True
