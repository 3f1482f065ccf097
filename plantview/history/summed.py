"""Summaries of a stretch by name: finished days as they were summed up, other days from their samples."""

from __future__ import annotations

import contextlib
from collections.abc import Iterable, Mapping, Sequence

import numpy as np

from plantview.history.chunks import DAY_MS
from plantview.history.column import Column, merged
from plantview.history.month import SAMPLES, SUMS, month_of, month_start
from plantview.history.reading import DATABASE, Reading
from plantview.history.reduce import Rows, concatenated, in_order, kind_of, rows_of
from plantview.history.samples import Described


def summed(
    reading: Reading,
    targets: Mapping[str, Described],
    step_ms: int,
    from_ms: int,
    to_ms: int,
    newer: Mapping[str, Sequence[Column]],
) -> dict[str, Rows]:
    """Return rows of ``step_ms`` by name; ``newer`` are samples that no month file has yet.

    A day whose summary is missing or out of date, or that has newer samples, is summed up here.
    """
    fresh = {name: merged(columns) for name, columns in newer.items()}
    fresh_days = {day for column in fresh.values() for day in np.unique(column.at_ms // DAY_MS * DAY_MS).tolist()}
    parts: dict[str, list[Rows]] = {name: [] for name in targets}
    begin = from_ms - from_ms % step_ms
    if reading.place is not None:
        _part(reading, (DATABASE, DATABASE), targets, step_ms, (begin, to_ms), fresh_days, fresh, parts)
        return {name: in_order(concatenated(rows)) for name, rows in parts.items() if rows}
    months = {*reading.months(SAMPLES, from_ms, to_ms), *reading.months(SUMS, from_ms, to_ms)}
    for month in sorted(months | {month_of(day) for day in fresh_days}):
        own = {day for day in fresh_days if month_of(day) == month}
        files, stretch = (f"{month}{SAMPLES}", f"{month}{SUMS}"), (max(month_start(month), begin), to_ms)
        _part(reading, files, targets, step_ms, stretch, own, fresh, parts)
    return {name: in_order(concatenated(rows)) for name, rows in parts.items() if rows}


def _part(
    reading: Reading,
    files: tuple[str, str],
    targets: Mapping[str, Described],
    step_ms: int,
    stretch: tuple[int, int],
    fresh_days: Iterable[int],
    fresh: Mapping[str, Column],
    parts: dict[str, list[Rows]],
) -> None:
    days = set(fresh_days)
    with contextlib.ExitStack() as opened:
        samples = opened.enter_context(reading.open(files[0]))
        if samples is not None:
            days |= {row[0] for row in samples.execute("SELECT day FROM unsummed").fetchall()}
        sums = opened.enter_context(reading.open(files[1]))
        if sums is not None:
            points = reading.points(files[1], sums)
            for name, item in targets.items():
                parts[name] += reading.sums(sums, points, item, step_ms, *stretch, frozenset(days))
        points = reading.points(files[0], samples) if samples is not None else {}
        codes = reading.reasons(files[0], samples) if samples is not None else np.zeros(1, np.uint16)
        for day in sorted(days):
            if day + DAY_MS <= stretch[0] or day >= stretch[1]:
                continue
            edges = day + step_ms * np.arange(DAY_MS // step_ms + 1, dtype=np.int64)
            times: dict[int, np.ndarray] = {}
            for name, item in targets.items():
                columns = [fresh.get(name, Column.none()).between(day, day + DAY_MS)]
                if samples is not None:
                    columns[:0] = reading.samples(samples, points, item, day, day + DAY_MS, times, codes)
                parts[name].append(rows_of(merged(columns), edges, kind_of(item), item.period_s * 1_000))
