"""Makes the day before a demonstration, in a process of its own: ``python -m plantview.service.past ORDER NOW_MS``.

It runs at the lowest priority beside the plant that is already shown, hands its result over on
standard output and ends; when whoever started it is gone, so is it.
"""

from __future__ import annotations

import io
import os
import resource
import sys
import threading
from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from plantview.config.order import Order
from plantview.derive import Derivation
from plantview.history.samples import Samples
from plantview.model.columns import Column, Reasons
from plantview.model.plant import Plant
from plantview.model.quality import Quality
from plantview.process import EXIT_OK
from plantview.simulator.history import NO_NUMBER, past_of

PERIOD_S: Final = 60.0
CPU_S_MAX: Final = 300
LOOK_REAL_S: Final = 1.0
MARK: Final = "simulated, before this start"


@dataclass(frozen=True, slots=True)
class Rows:
    """One row per signal: numbers, qualities, and the place of each reason in ``reasons``."""

    names: tuple[str, ...]
    at_ms: NDArray[np.int64]
    values: NDArray[np.float64]
    quality: NDArray[np.uint8]
    reason: NDArray[np.uint16]
    reasons: tuple[str, ...]

    def samples(self, number: int) -> Samples:
        """Return one row as history stores it; every sample says that it was simulated."""
        reasons = tuple(self.reasons[place] for place in self.reason[number])
        return Samples(self.at_ms, self.values[number], self.quality[number], reasons)

    def packed(self) -> bytes:
        """Return it as octets."""
        memory = io.BytesIO()
        np.savez(
            memory, names=np.array(self.names), at_ms=self.at_ms, values=self.values, quality=self.quality,
            reason=self.reason, reasons=np.array(self.reasons),
        )  # fmt: skip
        return memory.getvalue()

    @classmethod
    def unpacked(cls, octets: bytes) -> Rows:
        """Return what ``packed`` made; ValueError or OSError for anything else."""
        with np.load(io.BytesIO(octets), allow_pickle=False) as found:
            names, reasons = (tuple(map(str, found[key])) for key in ("names", "reasons"))
            return cls(names, found["at_ms"], found["values"], found["quality"], found["reason"], reasons)


def rows_of(plant: Plant, now_ms: int, hours: float) -> Rows:
    """Return the day before ``now_ms``: what devices reported, and what follows from it."""
    past, reasons = past_of(plant, now_ms, hours, PERIOD_S), Reasons()
    at_ms = np.array(past.at_ms, np.int64)
    read = {name: _column(np.array(numbers), reasons) for name, numbers in past.values.items()}
    columns = {**read, **Derivation(plant).sweep().run(at_ms, read, reasons)}
    return Rows(
        tuple(columns),
        at_ms,
        np.array([column.values for column in columns.values()]),
        np.array([column.quality for column in columns.values()], np.uint8),
        np.array([column.reasons for column in columns.values()], np.uint16),
        tuple(f"{text}; {MARK}" if text else MARK for text in reasons.texts),
    )


def _column(numbers: NDArray[np.float64], reasons: Reasons) -> Column:
    none = np.isnan(numbers)
    quality = np.where(none, np.uint8(Quality.BAD), np.uint8(Quality.GOOD))
    return Column(numbers, quality, np.where(none, reasons.code(NO_NUMBER), 0))


def _end_with(parent: int) -> None:
    """Leave when whoever started this is gone: nobody is there to take the result."""
    never = threading.Event()
    while os.getppid() == parent:
        never.wait(LOOK_REAL_S)
    os._exit(1)


def main(argument: str, now_ms: str) -> int:
    """Make the past of an order's plant and write it to standard output."""
    os.nice(19)
    resource.setrlimit(resource.RLIMIT_CPU, (CPU_S_MAX, CPU_S_MAX))
    threading.Thread(target=_end_with, args=(os.getppid(),), daemon=True).start()
    order = Order.read(argument)
    sys.stdout.buffer.write(rows_of(order.load(), int(now_ms), order.past_h).packed())
    sys.stdout.buffer.flush()
    return EXIT_OK


if __name__ == "__main__":
    sys.exit(main(*sys.argv[1:3]))
