"""Where a model may be asked: the combinations of its inputs that its machine was seen in, in bins.

A box of lowest and highest values would take in corners that never happened, such as full load
with cold condenser water; a polynomial says nonsense there.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import cached_property
from typing import Final

import numpy as np
from numpy.typing import NDArray

from plantview.model.columns import Flags, Floats

SEEN_MIN: Final = 3
"""Samples that make a bin count: one may be a slip (our own choice)."""
CELLS_MAX: Final = 200_000
"""Bins of one model; beyond it the bins are too narrow for their range."""


@dataclass(frozen=True, slots=True)
class Axis:
    """One input of a model, from half a bin below the lowest value that was seen to half a bin above the highest."""

    name: str
    unit: str
    low: float
    high: float
    step: float
    """Width of a bin."""

    @property
    def bins(self) -> int:
        """Return how many bins the axis has."""
        return int((self.high - self.low) / self.step) + 1


@dataclass(frozen=True)
class Envelope:
    """Bins that were seen; a bin beside a seen one along one axis counts too, so that noise at an edge does not flicker."""

    axes: tuple[Axis, ...]
    seen: tuple[tuple[int, ...], ...]

    @classmethod
    def of(cls, names: Sequence[tuple[str, str, float]], inputs: Sequence[Floats]) -> Envelope:
        """Return the envelope of samples; ``names`` holds name, unit and bin width of each input.

        ValueError where the samples are spread over too many bins, or no bin has enough of them.
        """
        wide = [
            Axis(name, unit, float(each.min()) - step / 2.0, float(each.max()) + step / 2.0, step)
            for (name, unit, step), each in zip(names, inputs, strict=True)
        ]
        if np.prod([axis.bins for axis in wide], dtype=float) > CELLS_MAX:
            raise ValueError(
                f"the readings are spread over more than {CELLS_MAX} bins: something is no reading of this machine"
            )
        found, count = np.unique(_bins(wide, inputs), axis=1, return_counts=True)
        kept = found[:, count >= SEEN_MIN].T
        if not len(kept):
            raise ValueError(f"no combination of {_listed(wide)} was seen {SEEN_MIN} times")
        return cls(tuple(wide), tuple(tuple(int(each) for each in row) for row in kept))

    def why_outside(self, inputs: Sequence[float]) -> str:
        """Return why a model may not be asked here; empty where it may."""
        for axis, value in zip(self.axes, inputs, strict=True):
            if not value >= axis.low:
                return f"outside what was learned: {axis.name} below {axis.low:.1f} {axis.unit}"
            if not value <= axis.high:
                return f"outside what was learned: {axis.name} above {axis.high:.1f} {axis.unit}"
        inside = self.holds([np.array([value], np.float64) for value in inputs])
        return "" if inside[0] else f"outside what was learned: {_listed(self.axes)} were not seen together like this"

    def holds(self, inputs: Sequence[Floats]) -> Flags:
        """Return at every moment whether a model may be asked; False where an input is no number."""
        inside = np.ones(inputs[0].shape, np.bool_)
        for axis, each in zip(self.axes, inputs, strict=True):
            inside &= (each >= axis.low) & (each <= axis.high)
        places = np.flatnonzero(inside)
        bins = _bins(self.axes, [each[places] for each in inputs])
        inside[places] = self._allowed[tuple(bins)]
        return inside

    @cached_property
    def _allowed(self) -> Flags:
        seen = np.zeros([axis.bins for axis in self.axes], np.bool_)
        seen[tuple(np.array(self.seen, np.intp).T)] = True
        allowed = seen.copy()
        for along in range(seen.ndim):
            # views along one axis: what is written reaches the whole
            ours, theirs = np.moveaxis(allowed, along, 0), np.moveaxis(seen, along, 0)
            ours[1:] |= theirs[:-1]
            ours[:-1] |= theirs[1:]
        return allowed


def _bins(axes: Sequence[Axis], inputs: Sequence[Floats]) -> NDArray[np.intp]:
    return np.array(
        [((each - axis.low) / axis.step).astype(np.intp) for axis, each in zip(axes, inputs, strict=True)], np.intp
    )


def _listed(axes: Sequence[Axis]) -> str:
    names = [axis.name for axis in axes]
    return f"{', '.join(names[:-1])} and {names[-1]}"
