"""Whether 03/04 is the third of April or the fourth of March: told by the log itself where it can tell."""

from __future__ import annotations

from itertools import islice
from typing import Final

import numpy as np
from numpy.typing import NDArray

from plantview.importing.column_map import ColumnMap
from plantview.importing.log import Log
from plantview.importing.stamps import NONE, read_stamps

SAMPLE_ROWS: Final = 200_000
DAY_MS: Final = 86_400_000


def swapped(form: str) -> str | None:
    """Return the format with day and month changed over; None where they cannot be confused."""
    if "%d" not in form or "%m" not in form or form.startswith("%Y"):
        return None
    return form.replace("%d", "\0").replace("%m", "%d").replace("\0", "%m")


def doubt_of(log: Log, column_map: ColumnMap, at_ms: NDArray[np.int64]) -> str:
    """Return why day and month may be changed over in the map; empty where there is no doubt."""
    form = column_map.time.format
    other = swapped(form)
    if other is None:
        return ""
    places = [log.columns.index(name) for name in column_map.time.columns]
    texts = [
        " ".join(str(cells[place] if place < len(cells) else "").strip() for place in places)
        for _, cells in islice(log.rows(), SAMPLE_ROWS)
    ]
    as_other = read_stamps(texts, other).at_ms
    as_given = at_ms[: len(texts)]
    return weigh(as_given, as_other, form, other)


def weigh(given: NDArray[np.int64], other: NDArray[np.int64], form: str, swap: str) -> str:
    """Compare two readings of the same stamps; return the doubt in words, or nothing."""
    good, good_other = int((given != NONE).sum()), int((other != NONE).sum())
    if good_other > good:
        return f"{good_other - good} rows have a day above 12 where {form} has the month; should it be {swap}?"
    if good > good_other or not good:
        return ""
    jumps, jumps_other = (_jumps(each) for each in (given, other))
    if jumps_other < jumps:
        return (
            f"no day is above 12, and with {form} the log jumps {jumps} times by more than a day,"
            f" with {swap} {jumps_other} times; should it be {swap}?"
        )
    if jumps == jumps_other and _days(given) > 1:
        return f"no day is above 12, so {swap} would fit as well as {form}; check one date that you know"
    if jumps == jumps_other and not np.array_equal(given, other):
        return f"all rows are of one day that reads both ways ({form} or {swap}); check the date"
    return ""


def _jumps(at_ms: NDArray[np.int64]) -> int:
    return int((np.abs(np.diff(at_ms[at_ms != NONE])) > 1.5 * DAY_MS).sum())


def _days(at_ms: NDArray[np.int64]) -> int:
    return len(np.unique(at_ms[at_ms != NONE] // DAY_MS))
