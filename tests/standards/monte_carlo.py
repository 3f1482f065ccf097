"""Propagation by drawing: what JCGM 101 does where JCGM 100 has a formula."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from typing import Any

import numpy as np

SAMPLES = 1_000_000


def drawn_u95(
    calc: Callable[..., Any],
    values: Sequence[float],
    u95: Sequence[float],
    correlation: Mapping[tuple[int, int], float],
) -> float:
    """Return half the shortest way round the middle 95 % of a million draws; ``calc`` takes arrays."""
    covariance = np.diag([(each / 1.96) ** 2 for each in u95])
    for (one, other), r in correlation.items():
        covariance[one, other] = covariance[other, one] = r * u95[one] * u95[other] / 1.96**2
    draws = np.random.default_rng(20_260_701).multivariate_normal(values, covariance, size=SAMPLES)
    low, high = np.quantile(calc(*draws.T), [0.025, 0.975])
    return float(high - low) / 2.0
