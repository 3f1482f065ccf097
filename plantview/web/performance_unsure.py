"""How sure the sums of a stretch of time are, by the declared accuracy of the sensors behind them.

A sensor is taken to err by the same amount and the same way all the time: what it adds to a sum grows with
the sum and does not average out. Matched pairs err together as far as their rows say (JCGM 100).
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any, Final

import numpy as np

from plantview.calcs.load import cooling_load_kw
from plantview.calcs.uncertainty import combined, contributions
from plantview.errors import CalcError
from plantview.model.accuracy import Accuracy, matched
from plantview.model.columns import Flags, Floats
from plantview.model.plant import Plant
from plantview.model.signal import Signal
from plantview.web.performance import BIN_H, COOLING, KW_PER_TON, Seen, Series

COVERED_MIN: Final = 0.9
"""Share of a sum whose sensors must be stored too before anything is said of it."""
Parts = Mapping[str, float]
"""Sensor -> signed contribution (95 %)."""


@dataclass(frozen=True, slots=True)
class Heat:
    """Water that is cooled: its meters, both temperatures, its fluid, and the load that was worked out from them."""

    load: str
    flows: tuple[str, ...]
    cold: str
    hot: str
    fluid: str

    @property
    def names(self) -> tuple[str, ...]:
        """Return every signal that is needed."""
        return (self.load, *self.flows, self.cold, self.hot)


def heats_of(plant: Plant, signals: Mapping[str, Signal]) -> tuple[Heat, ...]:
    """Return what the plant's cooling load is made of: its chillers, or the water of a header."""
    whole = signals.get(COOLING)
    loop = plant.loop_of("chilled")
    if whole is None or loop is None:
        return ()
    inputs = [signals[name] for name in whole.inputs if name in signals]
    loads = inputs if all(each.quantity == "heat_flow" for each in inputs) else [whole]
    found = (_heat(each, signals, loop.fluid) for each in loads)
    return tuple(each for each in found if each is not None)


def _heat(load: Signal, signals: Mapping[str, Signal], fluid: str) -> Heat | None:
    of = {
        kind: tuple(name for name in load.inputs if name in signals and signals[name].quantity == kind)
        for kind in ("flow", "temperature")
    }
    if not of["flow"] or len(of["temperature"]) != 2:
        return None
    return Heat(load.name, of["flow"], of["temperature"][0], of["temperature"][1], fluid)


def meters_of(names: Sequence[str], plant: Plant, signals: Mapping[str, Signal]) -> tuple[str, ...]:
    """Return the power points that a group's signals are sums of."""
    found: list[str] = []
    for name in names:
        signal = signals.get(name)
        found += [name] if name in plant.points or signal is None else meters_of(signal.inputs, plant, signals)
    return tuple(dict.fromkeys(found))


class Unsure:
    """The uncertainties of one stretch."""

    def __init__(self, plant: Plant, signals: Mapping[str, Signal], series: Series, seen: Seen) -> None:
        self._plant, self._series, self._seen = plant, series, seen
        self._meters = {group.id: meters_of(group.signals, plant, signals) for group in seen.groups}
        self._heats = heats_of(plant, signals)
        self._unknown = np.full(seen.cooling.size, np.nan)

    def told(self) -> dict[str, Any]:
        """Return the uncertainty (95 %) of energy, cooling and kW/ton, whole and by group; None where it is not known."""
        seen, rated = self._seen, self._seen.rated
        powered, every = np.isfinite(seen.total), [name for names in self._meters.values() for name in names]
        cooling = self._cooling(rated)
        cooled = float(np.sum(seen.cooling[rated]) * BIN_H)
        groups = {}
        for group, power in zip(seen.groups, seen.power, strict=True):
            names = self._meters[group.id]
            groups[group.id] = {
                "energy_u95": self._u95(self._energy(names, power, powered)),
                "kw_per_ton_u95": self._ratio(self._energy(names, power, rated), power, cooling, cooled),
            }
        sensors = [*every, *(name for heat in self._heats for name in heat.names[1:])]
        return {
            "groups": groups,
            "energy_u95": self._u95(self._energy(every, seen.total, powered)),
            "cooling_u95": self._u95(cooling),
            "kw_per_ton_u95": self._ratio(self._energy(every, seen.total, rated), seen.total, cooling, cooled),
            "sensors": len(set(sensors)),
            "assumed": len({name for name in sensors if not self._accuracy(name).declared}),
        }

    def _accuracy(self, name: str) -> Accuracy:
        return self._plant.points[name].accuracy if name in self._plant.points else Accuracy(declared=False)

    def _energy(self, meters: Sequence[str], power: Floats, chosen: Flags) -> Parts | None:
        """Return by how much each meter may have moved an energy [kWh]."""
        rows = {name: self._series.get(name, self._unknown) for name in meters}
        if not rows or not all(self._accuracy(name).known for name in rows):
            return None
        known = chosen & np.all([np.isfinite(row) for row in rows.values()], axis=0)
        scale = _scale(power, chosen, known)
        if scale is None:
            return None
        return {
            name: float(np.sum(_plus_minus(self._accuracy(name), row[known])) * BIN_H * scale)
            for name, row in rows.items()
        }

    def _cooling(self, chosen: Flags) -> Parts | None:
        """Return by how much each sensor may have moved the cooling [kWh]."""
        total: dict[str, float] = {}
        for heat in self._heats:
            parts = self._of_heat(heat, chosen)
            if parts is None:
                return None
            for name, part in parts.items():
                total[name] = total.get(name, 0.0) + part
        return total or None

    def _of_heat(self, heat: Heat, chosen: Flags) -> Parts | None:
        load = self._series.get(heat.load, self._unknown)
        names = (*heat.flows, heat.cold, heat.hot)
        rows = [self._series.get(name, self._unknown) for name in names]
        cools = chosen & (load > 0)
        if not cools.any():
            return {}
        known = cools & np.all([np.isfinite(row) for row in rows], axis=0)
        scale = _scale(load, cools, known)
        if scale is None or not all(self._accuracy(name).known for name in names):
            return None

        def energy_kwh(*values: Any) -> float:
            cold_c, hot_c = values[-2:]
            return float(np.nansum(cooling_load_kw(np.sum(values[:-2], axis=0), cold_c, hot_c, heat.fluid)) * BIN_H)

        inputs: Any = [row[known] for row in rows]
        spreads: Any = [_plus_minus(self._accuracy(name), row) for name, row in zip(names, inputs, strict=True)]
        try:
            moved = contributions(energy_kwh, inputs, spreads)
        except CalcError:
            return None
        return {name: float(part) * scale for name, part in zip(names, moved, strict=True)}

    def _u95(self, parts: Parts | None) -> float | None:
        if parts is None:
            return None
        names = list(parts)
        place = {name: at for at, name in enumerate(names)}
        pairs = matched({name: self._accuracy(name) for name in names})
        together = {(place[one], place[other]): r for (one, other), r in pairs.items()}
        return float(combined([parts[name] for name in names], together)) if names else 0.0

    def _ratio(self, energy: Parts | None, power: Floats, cooling: Parts | None, cooled: float) -> float | None:
        """Return the uncertainty of kW/ton: of a quotient the shares of its two halves go together."""
        if energy is None or cooling is None or cooled <= 0:
            return None
        tons_h, used = cooled / KW_PER_TON, float(np.sum(power[self._seen.rated]) * BIN_H)
        shares = {name: part / tons_h for name, part in energy.items()}
        for name, part in cooling.items():
            shares[name] = shares.get(name, 0.0) - used / tons_h * part / cooled
        return self._u95(shares)


def _plus_minus(accuracy: Accuracy, values: Floats) -> Floats:
    return np.asarray(np.hypot(accuracy.absolute, accuracy.share * values))


def _scale(whole: Floats, chosen: Flags, known: Flags) -> float | None:
    """Return how much larger a sum is than the part of it whose sensors are stored; None where too little is."""
    total, part = float(np.sum(whole[chosen])), float(np.sum(whole[known]))
    if total <= 0:
        return 1.0 if known.any() else None
    return total / part if part >= COVERED_MIN * total else None
