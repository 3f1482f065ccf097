"""What a request costs a unit, and what one more register in it: measured, so that gaps are bridged where that is cheaper.

Time of an answer = request + register × count. The line through the lower quartiles
per count gives both (an answer may come late, never early); a gap is worth
reading along while its registers cost less than a second request.
"""

from __future__ import annotations

import statistics
from collections import OrderedDict, deque
from typing import Final

GAP_START: Final = 16
"""Registers, until a unit was measured: break-even of a serial line at 9600 baud on a model of one; 20 at 19200."""
GAP_MIN: Final = 2
GAP_MAX: Final = 100
"""Whatever was measured: a request holds 125 registers, and jitter must not undo the joining of neighbours."""
COUNTS_KEPT: Final = 12
SAMPLES_KEPT: Final = 9
SAMPLES_MIN: Final = 5
SPREAD_MIN: Final = 8
"""Registers between the shortest and the longest measured request: over less the slope is noise."""
WORTH: Final = 1.5
"""A limit is changed if the measured one differs by this factor, not for every breath of the network."""


class RequestCost:
    """Answer times of one unit by register count, bounded."""

    def __init__(self) -> None:
        self._times: OrderedDict[int, deque[float]] = OrderedDict()

    def took(self, registers: int, seconds: float) -> None:
        """Note one answer."""
        self._times.setdefault(registers, deque(maxlen=SAMPLES_KEPT)).append(seconds)
        self._times.move_to_end(registers)
        if len(self._times) > COUNTS_KEPT:
            self._times.popitem(last=False)

    def line(self) -> tuple[float, float] | None:
        """Return seconds per request and per register; None while too little was measured to tell them apart."""
        usual = {
            count: sorted(times)[len(times) // 4] for count, times in self._times.items() if len(times) >= SAMPLES_MIN
        }
        if len(usual) < 2 or max(usual) - min(usual) < SPREAD_MIN:
            return None
        slope, start = statistics.linear_regression(list(usual), list(usual.values()))
        return start, slope

    def gap(self, present: int) -> int:
        """Return the gap [registers] that is worth bridging; ``present`` unless it was measured to be clearly another."""
        measured = self.line()
        if measured is None:
            return present
        request_s, register_s = measured
        if request_s <= 0.0:
            best = GAP_MIN if register_s > 0.0 else present
        elif register_s * GAP_MAX <= request_s:
            best = GAP_MAX
        else:
            best = max(GAP_MIN, round(request_s / register_s))
        return best if best >= WORTH * present or present >= WORTH * best else present
