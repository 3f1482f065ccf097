"""Summaries against an independent library: pandas resamples the same samples."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest

from plantview.history.column import Column
from plantview.history.reduce import ANALOG, rows_of
from plantview.model.quality import Quality

STEP_MS = 300_000


@pytest.mark.parametrize("seed", range(5))
def test_five_minutes_agree_with_pandas_resampling(seed: int) -> None:
    """Oracle: pandas.Series.resample."""
    lots = np.random.default_rng(seed)
    at_ms = np.sort(lots.choice(20_000_000, 3_000, replace=False))
    at_ms = at_ms[(at_ms < 6_000_000) | (at_ms > 8_000_000)]
    quality = np.where(lots.random(at_ms.size) < 0.05, Quality.BAD, Quality.GOOD).astype(np.uint8)
    numbers = np.where(quality == Quality.BAD, np.nan, np.round(7 + np.cumsum(lots.normal(0, 0.1, at_ms.size)), 1))
    column = Column(at_ms, numbers, quality, np.zeros(at_ms.size, np.uint16))
    rows = rows_of(column, np.arange(0, 20_100_001, STEP_MS, dtype=np.int64), ANALOG, 5_000)
    theirs = pd.Series(numbers, pd.to_datetime(at_ms, unit="ms")).resample("5min", origin="epoch")
    first = int(at_ms[0]) // STEP_MS
    part = slice(first, first + len(theirs.min()))
    for name in ("min", "max", "first", "last", "mean"):
        np.testing.assert_allclose(getattr(rows, name)[part], getattr(theirs, name)(), rtol=1e-12, err_msg=name)
    assert rows.count[part].tolist() == theirs.count().tolist()
    assert rows.count.sum() == np.isfinite(numbers).sum()
    assert rows.samples.sum() == at_ms.size
