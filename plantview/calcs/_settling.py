"""The algebra of a reconciliation, for many sets of readings with the same balances at once.

One set goes through the very same operations as thousands, so that a year worked out again gives
the numbers that were shown.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from enum import IntEnum
from typing import TYPE_CHECKING, Any, Final, cast

import numpy as np

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from plantview.calcs._numeric import Array

Rows = Callable[[Sequence["Array"], Sequence[int] | None], Sequence["Array"]]
"""Balances of rows: a row per reading in, a row per balance out; of some balances only, where they are named."""

ROUNDS_MAX: Final = 20
_SETTLED: Final = 1e-9
"""Change of an adjustment, in standard deviations, at which the linearisation is good enough."""
_CONDITION_MAX: Final = 1e12
_STEP: Final = 0.01
"""Of a standard deviation, to either side, over which a slope is taken."""


class Trouble(IntEnum):
    """Why a set of readings has no answer."""

    NONE = 0
    DEPENDENT = 1
    NO_NUMBER = 2
    UNSETTLED = 3


@dataclass(frozen=True, slots=True)
class Settled:
    """What was found, first index the set of readings."""

    adjusted: Array
    gain: Array
    """Slopes of each balance per standard deviation of each reading."""
    inverse: Array
    """Of the balances' own covariance."""
    left: Array
    """What was left over before the adjustment."""
    trouble: NDArray[np.int8]

    @property
    def blame(self) -> Array:
        """Return how the misfit falls on each reading."""
        return cast("Array", (_turned(self.gain) @ self.inverse @ self.left[:, :, None])[:, :, 0])

    @property
    def seen(self) -> Array:
        """Return how the balances see each reading, and each two together."""
        return cast("Array", _turned(self.gain) @ self.inverse @ self.gain)

    @property
    def chi2(self) -> Array:
        """Return the weighted sum of squared adjustments."""
        return cast("Array", (self.left[:, None, :] @ self.inverse @ self.left[:, :, None])[:, 0, 0])


def settled(
    measured: Array, deviations: Array, balances: Rows, together: Array, touching: Sequence[Sequence[int]] | None = None
) -> Settled:
    """Return the readings adjusted so that every balance closes, linearised again until it settles.

    ``touching`` says for each reading in which balances it is; without it all are tried.
    """
    sets, size = measured.shape
    count = len(balances(list(measured.T), None))
    found = Settled(
        measured.copy(),
        np.zeros((sets, count, size)),
        np.zeros((sets, count, count)),
        np.zeros((sets, count)),
        np.full(sets, Trouble.UNSETTLED, np.int8),
    )
    if not count or not size:
        found.trouble[:] = Trouble.DEPENDENT
        return found
    going = np.arange(sets)
    places = [list(range(count))] * size if touching is None else touching
    for _ in range(ROUNDS_MAX):
        going = _round(found, going, measured, deviations, balances, together, places)
        if not going.size:
            break
    return found


def _round(
    found: Settled,
    going: NDArray[np.intp],
    measured: Array,
    deviations: Array,
    balances: Rows,
    together: Array,
    touching: Sequence[Sequence[int]],
) -> NDArray[np.intp]:
    """Take one step with the sets that have not settled; return those that still have not."""
    at, spread = found.adjusted[going], deviations[going]
    gain = _slopes(balances, at, spread, touching, found.left.shape[1]) * spread[:, None, :]
    here = np.stack([np.broadcast_to(each, going.shape) for each in balances(list(at.T), None)], axis=1)
    left: Any = here + (gain @ ((measured[going] - at) / spread)[:, :, None])[:, :, 0]
    inner: Any = gain @ together @ _turned(gain)
    sound = np.isfinite(inner).all(axis=(1, 2)) & np.isfinite(left).all(axis=1)
    found.trouble[going[~sound]] = Trouble.NO_NUMBER
    roots = np.linalg.eigvalsh(inner[sound])
    dependent = ~(roots[:, 0] * _CONDITION_MAX > roots[:, -1])
    found.trouble[going[sound][dependent]] = Trouble.DEPENDENT
    sound[np.flatnonzero(sound)[dependent]] = False
    going, at, spread, gain, left = going[sound], at[sound], spread[sound], gain[sound], left[sound]
    inverse: Any = np.linalg.inv(inner[sound])
    change: Any = (together @ _turned(gain) @ inverse @ left[:, :, None])[:, :, 0]
    following = measured[going] - spread * change
    moved = np.max(np.abs(following - at) / spread, axis=1)
    found.adjusted[going], found.gain[going], found.inverse[going], found.left[going] = following, gain, inverse, left
    done = moved < _SETTLED
    found.trouble[going[done]] = Trouble.NONE
    return cast("NDArray[np.intp]", going[~done])


def _slopes(balances: Rows, at: Array, steps: Array, touching: Sequence[Sequence[int]], count: int) -> Array:
    columns = [np.ascontiguousarray(each) for each in at.T]
    slopes = np.zeros((at.shape[0], count, at.shape[1]))
    for place, chosen in enumerate(touching):
        step = steps[:, place] * _STEP
        up, down = (
            balances([*columns[:place], columns[place] + each, *columns[place + 1 :]], chosen) for each in (step, -step)
        )
        for balance, one, other in zip(chosen, up, down, strict=True):
            slopes[:, balance, place] = (one - other) / (2.0 * step)
    return slopes


def _turned(rows: Array) -> Array:
    return np.ascontiguousarray(np.swapaxes(rows, 1, 2))
