"""Gathers the hours of a finished day into day chunks and sums them up, in a file or in a database alike."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Final

import numpy as np
from numpy.typing import NDArray

from plantview.history.chunks import DAY_MS, STEPS_MS, Put, Sealed, drop_unused_times, read_chunks, transaction
from plantview.history.column import Column, bad_at, merged
from plantview.history.reduce import kind_of, rows_of
from plantview.history.samples import Described
from plantview.history.tables import DAMAGED, log

BYTES_AT_ONCE: Final = 2_000_000
"""A transaction's size: it bounds the write-ahead log, and how long a reader's view is held back."""


def sum_up_day(file: Sealed, day: int) -> None:
    """Gather and sum up all points of a day; it is marked as done last."""
    points = file.samples.execute(
        "SELECT pid, sum(length(b)) FROM chunk WHERE t0 >= ? AND t0 < ? GROUP BY pid", (day, day + DAY_MS)
    ).fetchall()
    group, size = list[int](), 0
    for pid, length in points:
        group.append(pid)
        size += int(length)
        if size >= BYTES_AT_ONCE:
            _points(file, day, group)
            group, size = [], 0
    _points(file, day, group)
    with transaction(file.samples):
        drop_unused_times(file.samples, [day])
        file.samples.execute("DELETE FROM unsummed WHERE day = ?", (day,))


def _points(file: Sealed, day: int, pids: Sequence[int]) -> None:
    """Sum up some points' day; all of it is read before any of it is written."""
    times: dict[int, NDArray[np.int64]] = {}
    gathered = [
        (pid, item, *_gathered(file, day, pid, times))
        for pid in pids
        # without a sound description the chunks stay for whoever can repair it
        if (item := file.names.points.get(pid)) is not None
    ]
    with transaction(file.sums):
        for _, item, column, _ in gathered:
            if column.at_ms.size:
                _write_sums(file, day, item, column)
    with transaction(file.samples):
        for pid, _, column, whole in gathered:
            if not whole:
                _write_day(file, day, pid, column)


def _gathered(file: Sealed, day: int, pid: int, times: dict[int, NDArray[np.int64]]) -> tuple[Column, bool]:
    """Return a point's day, and whether it stands in one sound day chunk already."""
    damaged: list[int] = []
    columns = list(read_chunks(file.samples, pid, day, day + DAY_MS, times=times, damaged=damaged))
    hours = file.samples.execute(
        "SELECT count(*) FROM chunk WHERE pid = ? AND t0 >= ? AND t0 < ? AND span < ?", (pid, day, day + DAY_MS, DAY_MS)
    ).fetchone()[0]
    return merged([*columns, _damage(file, day, damaged)]), len(columns) == 1 and not damaged and not hours


def _damage(file: Sealed, day: int, starts: Sequence[int]) -> Column:
    """Return a sample without a number where a chunk was lost, so that the gap keeps its reason."""
    if not starts:
        return Column.none()
    log.error("%s chunks of the day that begins at %s ms are damaged", len(starts), day)
    with transaction(file.samples):
        code = file.names.code(DAMAGED)
    return bad_at(starts, code)


def _write_sums(file: Sealed, day: int, item: Described, column: Column) -> None:
    pid = file.sum_names.pid(item)
    for step in STEPS_MS:
        edges = day + step * np.arange(DAY_MS // step + 1, dtype=np.int64)
        file.put_sums(pid, step, day, rows_of(column, edges, kind_of(item), item.period_s * 1_000))


def _write_day(file: Sealed, day: int, pid: int, column: Column) -> None:
    file.samples.execute("DELETE FROM chunk WHERE pid = ? AND t0 >= ? AND t0 < ?", (pid, day, day + DAY_MS))
    if column.at_ms.size:
        file.put_all([Put(pid, day, DAY_MS, column)])
