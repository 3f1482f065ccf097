"""Between the truth and the number that a device reports: lag, bias, noise, unit, resolution."""

from __future__ import annotations

import math
import random
from collections.abc import Callable
from dataclasses import dataclass
from typing import Final

from plantview.model.point import ModbusAddress, Point
from plantview.simulator.conversions import Scale, other_system, scale


@dataclass(frozen=True, slots=True)
class Accuracy:
    """Spread of bias between instruments, and noise of one, in canonical units and as a share of the reading."""

    bias: float = 0.0
    noise: float = 0.0
    bias_share: float = 0.0
    noise_share: float = 0.0
    lag_s: float = 0.0
    aging: float = 0.0
    """Spread of the drift in a year."""
    aging_share: float = 0.0


# Commercial grade instruments, matched water temperature sensors (common practice, no source).
ACCURACY: Final = {
    "temperature": Accuracy(bias=0.04, noise=0.015, lag_s=8.0, aging=0.03),
    "flow": Accuracy(noise_share=0.003, bias_share=0.004, lag_s=3.0, aging_share=0.003),
    "pressure_difference": Accuracy(bias=0.4, noise=0.25, lag_s=1.0, aging=0.3),
    "pressure_gauge": Accuracy(bias=0.6, noise=0.3, lag_s=1.0, aging=0.5),
    "pressure_absolute": Accuracy(noise=0.003, lag_s=60.0),
    "power": Accuracy(noise_share=0.002, bias_share=0.002, lag_s=1.0),
    "percent": Accuracy(noise=0.03),
    "humidity": Accuracy(bias=0.8, noise=0.15, lag_s=30.0, aging=1.0),
    "length": Accuracy(noise=0.0015, lag_s=10.0),
    "conductivity": Accuracy(noise_share=0.002, lag_s=20.0, aging_share=0.03),
    "current": Accuracy(noise_share=0.003),
}
_EXACT: Final = Accuracy()
_NOT_SENSED: Final = frozenset(
    {
        "setpoint",
        "active_setpoint",
        "dp_setpoint",
        "demand_limit",
        "command",
        "speed_command",
        "restart_time_left",
    }
)
"""Numbers that a controller knows and does not measure."""
YEAR_S: Final = 365.25 * 86_400.0
FLOW_CUT_OFF_L_S: Final = 0.5
"""A flow meter shows zero below this."""


COUNTERS: Final = frozenset({"energy", "run_hours", "starts"})
REGISTER_LIMITS: Final = {"uint16": 2.0**16, "int16": 2.0**15, "uint32": 2.0**32, "int32": 2.0**31, "bcd32": 1e8}
PANEL_DIGITS: Final = 1e7
"""A counter in a controller shows seven digits."""


def register_size(point: Point) -> float:
    """Return the reading at which a counter starts again from zero; 0 for what is no counter."""
    if point.measurement not in COUNTERS:
        return 0.0
    if not isinstance(point.address, ModbusAddress):
        return PANEL_DIGITS
    scale_factor = point.address.scale or 1.0
    return REGISTER_LIMITS.get(point.address.kind, PANEL_DIGITS) * scale_factor


class Sensor:
    """One point: reads the truth, remembers its own lag, bias and fault."""

    def __init__(self, point: Point, truth: Callable[[], float], source: random.Random) -> None:
        self.scale: Scale = scale(point.quantity, point.unit.name)
        self.bias_reported = 0.0
        """Added by a fault, in the reported unit."""
        self.noise_reported = 0.0
        """Added spread, in the reported unit."""
        self.drift_per_h = 0.0
        self.factor = 1.0
        """On the reading: a wrong current transformer ratio."""
        self.stuck = False
        self.broken = False
        """Open circuit: there is no number."""
        self.wrong_unit = False
        """The number is that of the other system of units."""
        self.reported = math.nan
        self.truth = truth
        self.own_truth = truth
        """What it is meant to read; ``truth`` is what it reads."""
        self._drifted = 0.0
        self._other = other_system(point.quantity, point.unit.name)
        self._register = register_size(point)
        self._register_offset = 0.0
        self._flow = point.quantity == "flow"
        sensed = point.measurement not in _NOT_SENSED
        self._accuracy = ACCURACY.get(point.quantity, _EXACT) if sensed else _EXACT
        self._exact = self._accuracy is _EXACT
        self._bias = source.uniform(-1, 1) * self._accuracy.bias
        self._gain = 1 + source.uniform(-1, 1) * self._accuracy.bias_share
        self._aging_per_s = source.uniform(-1, 1) * self._accuracy.aging / YEAR_S
        self._aging_share_per_s = source.uniform(-1, 1) * self._accuracy.aging_share / YEAR_S
        self._age_s = 0.0
        self._lagged: float | None = None
        self._source = source

    def read(self, elapsed_s: float) -> float:
        """Return the reported number, ``elapsed_s`` after the last reading."""
        if self.stuck and not math.isnan(self.reported):
            return self.reported
        if self.broken:
            self.reported = math.nan
            return self.reported
        true = self.truth()
        value = true if self._exact else self._sensed(true, elapsed_s)
        shown = (self._other or self.scale) if self.wrong_unit else self.scale
        reported = self._faulty(shown.reported(value), elapsed_s)
        self.reported = self.scale.rounded(self._counted(reported))
        return self.reported

    def set_register(self, left: float | None) -> None:
        """Put a meter's register so many counts before its end, or to zero as in a new meter (None)."""
        now = self.scale.reported(self.truth())
        self._register_offset = (0.0 if left is None else self._register - left) - now

    def forget_drift(self) -> None:
        """Calibrate it."""
        self._drifted = 0.0

    def _faulty(self, reported: float, elapsed_s: float) -> float:
        if self.drift_per_h and math.isfinite(elapsed_s):
            self._drifted += self.drift_per_h * elapsed_s / 3_600
        if self.noise_reported:
            reported += self._source.gauss(0.0, self.noise_reported)
        return reported * self.factor + self.bias_reported + self._drifted

    def _counted(self, reported: float) -> float:
        """Let a counter start again from zero at the end of its register."""
        if not self._register:
            return reported
        return (reported + self._register_offset) % self._register

    def _sensed(self, true: float, elapsed_s: float) -> float:
        accuracy = self._accuracy
        if self._lagged is None or accuracy.lag_s <= 0:
            self._lagged = true
        else:
            self._lagged += (true - self._lagged) * (1 - math.exp(-elapsed_s / accuracy.lag_s))
        if self._flow and abs(self._lagged) < FLOW_CUT_OFF_L_S:
            return 0.0
        spread = accuracy.noise + accuracy.noise_share * abs(self._lagged)
        if math.isfinite(elapsed_s):
            self._age_s += elapsed_s
        gain = self._gain + self._aging_share_per_s * self._age_s
        noisy = self._lagged * gain + self._aging_per_s * self._age_s + self._source.gauss(0.0, spread)
        # an idle motor draws nothing and an idle drive stands at zero: no noise there, no bias
        return noisy + self._bias if self._lagged or self._bias else self._lagged
