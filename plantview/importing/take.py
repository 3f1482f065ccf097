"""An import: two passes over the log, the first over its stamps, the second over its cells.

The first pass settles the UTC moment of every row and which of several rows with one
stamp is kept; the second turns cells into readings, page by page, so that a log may be
larger than memory.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from typing import Any, Final, Protocol

import numpy as np
from numpy.typing import NDArray

from plantview.errors import LogUnreadable
from plantview.history import Report as Kept
from plantview.history import Samples
from plantview.importing.cells import WORDS, Kind, read_cells
from plantview.importing.column_map import ColumnMap
from plantview.importing.day_month import doubt_of
from plantview.importing.local_time import Moments, to_utc
from plantview.importing.log import Log, Row
from plantview.importing.report import ColumnReport, Report
from plantview.importing.stamps import NONE, Stamps, read_stamps
from plantview.model.quality import Quality

PAGE_ROWS: Final = 20_000
EARLIEST_MS: Final = 631_152_000_000
"""1990-01-01: older stamps are a controller's clock that was never set."""
AHEAD_MS: Final = 86_400_000
ALONE: Final = -1
"""Number of a name that the map leaves out."""

Told = Callable[[int, int], None]
"""Is told how many rows of how many are through (two passes count twice)."""


class Keeper(Protocol):
    """Where readings go."""

    def backfill(self, samples: Mapping[str, Samples]) -> Kept:
        """Merge readings by point and time, later ones win; durable when it returns."""
        ...


@dataclass(frozen=True, slots=True)
class _Index:
    """What the first pass settled about every row."""

    lines: NDArray[np.int64]
    series: NDArray[np.int32]
    utc_ms: NDArray[np.int64]
    kept: NDArray[np.bool_]


def take_log(log: Log, column_map: ColumnMap, keeper: Keeper | None, now_ms: int, zone: str, told: Told) -> Report:
    """Import a log; without ``keeper`` only say what would be taken."""
    _check_columns(log, column_map)
    report = Report(zone)
    index = _index(log, column_map, now_ms, report, told)
    report.columns = [
        ColumnReport(column.name, column.point.name, column.unit.label, column.point.unit.label)
        for column in column_map.columns
    ]
    known = index.utc_ms[index.kept]
    if len(known):
        report.first_ms, report.last_ms = int(known.min()), int(known.max())
    done = 0
    for page in _pages(log.rows()):
        _take_page(page, slice(done, done + len(page)), index, log, column_map, keeper, report)
        done += len(page)
        told(len(index.lines) + done, 2 * len(index.lines))
    return report


def _check_columns(log: Log, column_map: ColumnMap) -> None:
    wanted = list(column_map.time.columns)
    if column_map.long is not None:
        wanted += [column_map.long.name, column_map.long.value]
    else:
        wanted += [column.name for column in column_map.columns]
    missing = [name for name in wanted if name not in log.columns]
    if missing:
        shown = ", ".join(log.columns[:30])
        raise LogUnreadable(
            f"{log.path.name} has no column {', '.join(repr(name) for name in missing)}; it has: {shown}."
            " Correct the names in the map, or header_line in [file]"
        )


def _pages(rows: Iterator[Row]) -> Iterator[list[Row]]:
    page: list[Row] = []
    for row in rows:
        page.append(row)
        if len(page) == PAGE_ROWS:
            yield page
            page = []
    if page:
        yield page


def _cell(cells: Sequence[Any], place: int) -> object:
    return cells[place] if place < len(cells) else None


def _column(page: Sequence[Row], place: int) -> list[object]:
    return [_cell(cells, place) for _, cells in page]


def _index(log: Log, column_map: ColumnMap, now_ms: int, report: Report, told: Told) -> _Index:
    numbers = {column.name: number for number, column in enumerate(column_map.columns)}
    name_place = log.columns.index(column_map.long.name) if column_map.long else None
    lines: list[NDArray[np.int64]] = []
    parts: list[Stamps] = []
    series: list[NDArray[np.int32]] = []
    for page in _pages(log.rows()):
        lines.append(np.array([line for line, _ in page], np.int64))
        parts.append(read_stamps(_stamp_cells(page, log, column_map), column_map.time.format))
        names = [str(name).strip() for name in _column(page, name_place)] if name_place is not None else []
        for name in names:
            if name not in numbers:
                report.unmapped[name] = report.unmapped.get(name, 0) + 1
        series.append(np.array([numbers.get(name, ALONE) for name in names] or [0] * len(page), np.int32))
        report.rows += len(page)
        told(report.rows, 0)
    if not lines:
        raise LogUnreadable(f"{log.path.name} has no rows below its header; is header_line in [file] right?")
    stamps = Stamps(np.concatenate([part.at_ms for part in parts]), np.concatenate([part.absolute for part in parts]))
    all_lines, all_series = np.concatenate(lines), np.concatenate(series)
    moments = to_utc(stamps, column_map.time.zone, column_map.time.repeated_hour, all_series - ALONE)
    kept = _kept(moments, all_series, all_lines, now_ms, report, column_map)
    doubt = doubt_of(log, column_map, stamps.at_ms)
    report.doubts.extend([doubt] if doubt else [])
    return _Index(all_lines, all_series, moments.utc_ms, kept)


def _stamp_cells(page: Sequence[Row], log: Log, column_map: ColumnMap) -> list[object]:
    places = [log.columns.index(name) for name in column_map.time.columns]
    if len(places) == 1:
        return _column(page, places[0])
    return [" ".join(str(_cell(cells, place) or "").strip() for place in places) for _, cells in page]


def _kept(
    moments: Moments,
    series: NDArray[np.int32],
    lines: NDArray[np.int64],
    now_ms: int,
    report: Report,
    column_map: ColumnMap,
) -> NDArray[np.bool_]:
    utc = moments.utc_ms
    readable = ~moments.unreadable & ~moments.skipped_hour
    ancient, ahead = readable & (utc < EARLIEST_MS), readable & (utc > now_ms + AHEAD_MS)
    for what, mask, remedy in (
        ("rows refused: no readable time", moments.unreadable, f"the format in the map is {column_map.time.format}"),
        (
            f"rows refused: a time that the spring night does not have in {column_map.time.zone}",
            moments.skipped_hour,
            "if the log's clock knows no summer time, give a zone without it, such as Etc/GMT+6",
        ),
        ("rows refused: before 1990", ancient, "the clock that wrote them was not set"),
        ("rows refused: in the future", ahead, "are format and zone right?"),
        ("rows of a repeated autumn hour, taken as its second pass", moments.second_pass, ""),
        (
            "rows of an autumn hour that the log holds once, taken as the first pass",
            moments.one_pass,
            'the second pass is missing in the log; repeated_hour = "later" would take it as the second',
        ),
        ("rows written newest first, turned round", moments.newest_first & readable, ""),
    ):
        _note(report, what, mask, lines, remedy)
    kept: NDArray[np.bool_] = readable & ~ancient & ~ahead & (series != ALONE)
    _drop_repeated(kept, utc, series, moments.newest_first, lines, report)
    return kept


def _note(report: Report, what: str, mask: NDArray[np.bool_], lines: NDArray[np.int64], remedy: str) -> None:
    if mask.any():
        report.note(what, int(mask.sum()), int(lines[np.argmax(mask)]), remedy)


def _drop_repeated(
    kept: NDArray[np.bool_],
    utc: NDArray[np.int64],
    series: NDArray[np.int32],
    newest_first: NDArray[np.bool_],
    lines: NDArray[np.int64],
    report: Report,
) -> None:
    """Note rows out of order; of rows of one series with one stamp keep the last that was written."""
    rows = np.flatnonzero(kept)
    place = np.where(newest_first[rows], -rows, rows)
    written = rows[np.lexsort((place, series[rows]))]
    same = series[written][1:] == series[written][:-1]
    back = written[1:][same & (np.diff(utc[written]) < 0)]
    ordered = rows[np.lexsort((place, utc[rows], series[rows]))]
    doubled = (series[ordered][1:] == series[ordered][:-1]) & (utc[ordered][1:] == utc[ordered][:-1])
    dropped = ordered[:-1][doubled]
    mask = np.zeros(len(kept), bool)
    mask[back] = True
    _note(report, "rows earlier than the row before them, put in order", mask, lines, "")
    mask[:] = False
    mask[dropped] = True
    _note(report, "rows with the stamp of a later row, dropped for it", mask, lines, "")
    kept[dropped] = False


def _take_page(
    page: list[Row], rows: slice, index: _Index, log: Log, column_map: ColumnMap, keeper: Keeper | None, report: Report
) -> None:
    kept, utc, lines = index.kept[rows], index.utc_ms[rows], index.lines[rows]
    found: dict[str, Samples] = {}
    for number, column in enumerate(column_map.columns):
        mask = kept & (index.series[rows] == number) if column_map.long else kept
        chosen = np.flatnonzero(mask)
        if not len(chosen):
            continue
        place = log.columns.index(column_map.long.value if column_map.long else column.name)
        cells = [_cell(page[row][1], place) for row in chosen.tolist()]
        values, kinds = read_cells(cells, column, column_map.cells)
        _count(report.columns[number], cells, kinds, lines[chosen])
        samples = _samples(utc[chosen], values, kinds)
        if len(samples.at_ms):
            found[column.point.name] = samples
    if keeper is not None and found:
        outcome = keeper.backfill(found)
        report.store_refused += outcome.counts.get("refused", 0)
        report.doubts.extend(problem for problem in outcome.problems if problem not in report.doubts)


def _count(report: ColumnReport, cells: list[object], kinds: NDArray[np.uint8], lines: NDArray[np.int64]) -> None:
    for kind in Kind:
        mask = kinds == kind
        if mask.any():
            report.kinds[kind] += int(mask.sum())
            first = int(np.argmax(mask))
            report.first.setdefault(kind, (int(lines[first]), str(cells[first])))
    report.taken = report.kinds[Kind.TAKEN]


def _samples(utc: NDArray[np.int64], values: NDArray[np.float64], kinds: NDArray[np.uint8]) -> Samples:
    """Return what was said, oldest first; an empty cell said nothing, a bad one said that there is no number."""
    said = np.flatnonzero((kinds != Kind.EMPTY) & (utc != NONE))
    order = said[np.argsort(utc[said], kind="stable")]
    taken = kinds[order] == Kind.TAKEN
    reasons = tuple("" if kind == Kind.TAKEN else f"in the log: {WORDS[Kind(kind)]}" for kind in kinds[order].tolist())
    quality = np.where(taken, Quality.GOOD, Quality.BAD).astype(np.uint8)
    return Samples(utc[order], values[order], quality, reasons)
