"""Units that contradict their values: what a device says in one unit and means in another.

Ranges and ratios are common practice, no source; the factors between units are those of ``units``.
"""

from __future__ import annotations

import itertools
import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Final

from plantview.units import UnknownUnit, unit

# measurement: (values in this unit, really that unit, low, high)
_TEMPERATURES: Final = {
    "cold": (("degF", "degC", 2.0, 25.0), ("degC", "degF", 38.0, 75.0)),
    "warm": (("degF", "degC", 10.0, 45.0), ("degC", "degF", 60.0, 115.0)),
}
_COLD: Final = frozenset({"chws_temp", "chwr_temp", "setpoint", "active_setpoint"})
_WARM: Final = frozenset({"cws_temp", "cwr_temp", "entering_temp", "leaving_temp"})
_POWER_MAX_KW: Final = {"chiller": 20_000.0, "pump": 2_000.0, "fan": 500.0}
"""Larger machines of a kind are rare; a number above it is probably watts."""
_POWER_MIN_KW: Final = {"chiller": 0.5}
_RATIOS: Final = (
    ("flow", "gpm", "L/s"),
    ("flow", "gpm", "m3/h"),
    ("flow", "m3/h", "L/s"),
    ("power", "W", "kW"),
    ("heat_flow", "kW", "ton"),
    ("pressure_difference", "ftH2O", "psi"),
    ("pressure_difference", "kPa", "psi"),
)
_RATIO_TOLERANCE: Final = 0.03
LEAST, MOST = 1e-6, 1e12
"""Beyond these a number is none that a plant has: halves of a float in the wrong order look so (common practice, no source)."""
BYTE_ORDER: Final = "its byte order"
BALANCE_TOLERANCE: Final = 0.15
"""A chiller's heat balance that closes worse says that a flow, a temperature or a unit is wrong."""
_WATER_KJ_PER_L_K: Final = 4.19
"""Heat capacity of a litre of water near 10 °C to 35 °C; good to 1 %."""
_BALANCE: Final = ("chw_flow", "chws_temp", "chwr_temp", "cw_flow", "cws_temp", "cwr_temp", "power")


@dataclass(frozen=True, slots=True)
class Valued:
    """A point that has been given a measurement, with what it shows and in which unit of ours."""

    place: str
    """How a person finds it: device and address."""
    equipment: str
    kind: str
    measurement: str
    quantity: str
    unit: str
    value: float


def mixup(point: Valued) -> str:
    """Return what speaks against the unit, or the byte order, of one point; empty if nothing does."""
    if 0 < abs(point.value) < LEAST or abs(point.value) > MOST:
        return f"{point.value:.3g} {point.unit} is no number of a plant; {BYTE_ORDER} is probably another"
    for real, low, high in _wrong_temperatures(point):
        if low <= point.value <= high:
            return f"{point.value:g} {point.unit} is unlikely here; it is probably {real}"
    if point.measurement == "power" and point.unit == "kW":
        if point.value > _POWER_MAX_KW.get(point.kind, math.inf):
            return f"{point.value:g} kW is more than such a machine takes; it is probably W"
        if 0 < point.value < _POWER_MIN_KW.get(point.kind, 0.0):
            return f"{point.value:g} kW is less than such a machine takes; it is probably MW"
    if point.unit == "%" and 0 < point.value <= 1.0:
        return f"{point.value:g} % may be a fraction of 1: compare with the machine's own display"
    return ""


def _wrong_temperatures(point: Valued) -> Sequence[tuple[str, float, float]]:
    water = "cold" if point.measurement in _COLD or point.equipment.startswith("chw-") else ""
    water = "warm" if point.measurement in _WARM or point.equipment.startswith("cw-") else water
    if point.quantity != "temperature" or not water:
        return ()
    return [(real, low, high) for said, real, low, high in _TEMPERATURES[water] if said == point.unit]


def between(points: Sequence[Valued]) -> dict[str, str]:
    """Return, by place, what two equal machines say that differs by just the factor between two units."""
    found: dict[str, str] = {}
    for one, other in itertools.combinations(points, 2):
        if (one.kind, one.measurement, one.unit) != (other.kind, other.measurement, other.unit):
            continue
        large, small = (one, other) if abs(one.value) >= abs(other.value) else (other, one)
        if not small.value or one.quantity not in {ratio[0] for ratio in _RATIOS}:
            continue
        for quantity, fine, coarse in _RATIOS:
            factor = unit(coarse, quantity).factor / unit(fine, quantity).factor
            if quantity == one.quantity and math.isclose(large.value / small.value, factor, rel_tol=_RATIO_TOLERANCE):
                text = (
                    f"{large.value / small.value:.3g} times {small.equipment}'s {small.value:g}, as {fine} to {coarse}:"
                    f" one of them may be in another unit than it says"
                )
                found.setdefault(large.place, text)
    return found


def balances(points: Sequence[Valued]) -> dict[str, str]:
    """Return, by chiller, a heat balance that does not close: evaporator + power against condenser."""
    found: dict[str, str] = {}
    for chiller in dict.fromkeys(point.equipment for point in points if point.kind == "chiller"):
        has = {point.measurement: point for point in points if point.equipment == chiller}
        if any(name not in has for name in _BALANCE):
            continue
        canonical = _canonical({name: has[name] for name in _BALANCE})
        if canonical is None or canonical["power"] <= 0:
            continue
        evaporator, condenser = (
            canonical[flow] * _WATER_KJ_PER_L_K * (canonical[warm] - canonical[cold])
            for flow, warm, cold in (("chw_flow", "chwr_temp", "chws_temp"), ("cw_flow", "cwr_temp", "cws_temp"))
        )
        off = (evaporator + canonical["power"] - condenser) / max(abs(condenser), 1.0)
        if abs(off) > BALANCE_TOLERANCE:
            found[chiller] = (
                f"evaporator {evaporator:.0f} kW + power {canonical['power']:.0f} kW against condenser {condenser:.0f} kW"
                f" ({off:+.0%}): one of flow, temperature or unit is wrong"
            )
    return found


def _canonical(points: Mapping[str, Valued]) -> dict[str, float] | None:
    try:
        return {name: unit(point.unit, point.quantity).to_canonical(point.value) for name, point in points.items()}
    except UnknownUnit:
        return None
