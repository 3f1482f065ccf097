"""Between the truth and the number that a device reports: lag, bias, noise, unit, resolution."""

from __future__ import annotations

import math
import random
from collections.abc import Callable
from dataclasses import dataclass
from typing import Final

from plantview.model.point import Point
from plantview.simulator.conversions import Scale, scale


@dataclass(frozen=True, slots=True)
class Accuracy:
    """Spread of bias between instruments, and noise of one, in canonical units and as a share of the reading."""

    bias: float = 0.0
    noise: float = 0.0
    bias_share: float = 0.0
    noise_share: float = 0.0
    lag_s: float = 0.0


# Commercial grade instruments, matched water temperature sensors (common practice, no source).
ACCURACY: Final = {
    "temperature": Accuracy(bias=0.04, noise=0.015, lag_s=8.0),
    "flow": Accuracy(noise_share=0.003, bias_share=0.004, lag_s=3.0),
    "pressure_difference": Accuracy(bias=0.4, noise=0.25, lag_s=1.0),
    "pressure_gauge": Accuracy(bias=0.6, noise=0.3, lag_s=1.0),
    "pressure_absolute": Accuracy(noise=0.003, lag_s=60.0),
    "power": Accuracy(noise_share=0.002, bias_share=0.002, lag_s=1.0),
    "percent": Accuracy(noise=0.03),
    "humidity": Accuracy(bias=0.8, noise=0.15, lag_s=30.0),
    "length": Accuracy(noise=0.0015, lag_s=10.0),
    "conductivity": Accuracy(noise_share=0.002, lag_s=20.0),
    "current": Accuracy(noise_share=0.003),
}
_EXACT: Final = Accuracy()
_NOT_SENSED: Final = frozenset({
    "setpoint", "active_setpoint", "dp_setpoint", "demand_limit", "command", "speed_command", "restart_time_left",
})
"""Numbers that a controller knows and does not measure."""
FLOW_CUT_OFF_L_S: Final = 0.5
"""A flow meter shows zero below this."""


class Sensor:
    """One point: reads the truth, remembers its own lag, bias and fault."""

    def __init__(self, point: Point, truth: Callable[[], float], source: random.Random) -> None:
        self.scale: Scale = scale(point.quantity, point.unit.name)
        self.bias_reported = 0.0
        """Added by a fault, in the reported unit."""
        self.stuck = False
        self.reported = math.nan
        self._truth = truth
        self._flow = point.quantity == "flow"
        sensed = point.measurement not in _NOT_SENSED
        self._accuracy = ACCURACY.get(point.quantity, _EXACT) if sensed else _EXACT
        self._exact = self._accuracy is _EXACT
        self._bias = source.uniform(-1, 1) * self._accuracy.bias
        self._gain = 1 + source.uniform(-1, 1) * self._accuracy.bias_share
        self._lagged: float | None = None
        self._source = source

    def read(self, elapsed_s: float) -> float:
        """Return the reported number, ``elapsed_s`` after the last reading."""
        if self.stuck and not math.isnan(self.reported):
            return self.reported
        true = self._truth()
        value = true if self._exact else self._sensed(true, elapsed_s)
        self.reported = self.scale.rounded(self.scale.reported(value) + self.bias_reported)
        return self.reported

    def _sensed(self, true: float, elapsed_s: float) -> float:
        accuracy = self._accuracy
        if self._lagged is None or accuracy.lag_s <= 0:
            self._lagged = true
        else:
            self._lagged += (true - self._lagged) * (1 - math.exp(-elapsed_s / accuracy.lag_s))
        if self._flow and abs(self._lagged) < FLOW_CUT_OFF_L_S:
            return 0.0
        spread = accuracy.noise + accuracy.noise_share * abs(self._lagged)
        noisy = self._lagged * self._gain + self._source.gauss(0.0, spread)
        # an idle motor draws nothing and an idle drive stands at zero: no noise there, no bias
        return noisy + self._bias if self._lagged or self._bias else self._lagged
