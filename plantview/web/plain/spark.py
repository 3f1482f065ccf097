"""A small line of the last hour, drawn by the server: no chart library travels over a slow link."""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import Final

WIDTH: Final = 120
HEIGHT: Final = 28
COLUMNS: Final = 60
GAP_COLUMNS: Final = 2


def spark(at_ms: Sequence[int], values: Sequence[float | None], from_ms: int, to_ms: int) -> str:
    """Return an SVG path of column means; a column without a usable sample leaves a gap.

    Empty when nothing may be drawn.
    """
    means = _columns(at_ms, values, from_ms, to_ms)
    known = [mean for mean in means if mean is not None]
    if len(known) < GAP_COLUMNS:
        return ""
    low, high = min(known), max(known)
    span = high - low or 1.0
    path, pen = [], "M"
    for column, mean in enumerate(means):
        if mean is None:
            pen = "M"
            continue
        y = HEIGHT - 2 - (mean - low) / span * (HEIGHT - 4) if high > low else HEIGHT / 2
        path.append(f"{pen}{column * WIDTH / (COLUMNS - 1):.0f} {y:.1f}")
        pen = "L"
    return "".join(path)


def _columns(at_ms: Sequence[int], values: Sequence[float | None], from_ms: int, to_ms: int) -> list[float | None]:
    sums = [0.0] * COLUMNS
    counts = [0] * COLUMNS
    for at, value in zip(at_ms, values, strict=True):
        if value is None or not math.isfinite(value) or not from_ms <= at < to_ms:
            continue
        column = (at - from_ms) * COLUMNS // (to_ms - from_ms)
        sums[column] += value
        counts[column] += 1
    return [total / count if count else None for total, count in zip(sums, counts, strict=True)]
