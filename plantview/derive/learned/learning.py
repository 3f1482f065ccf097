"""Fits the models of a plant to stored readings, or says of each machine why not."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field
from typing import Final

import numpy as np

from plantview.derive.evidence import power_signal
from plantview.derive.learned.chiller import biquadratic_kw, fit_biquadratic, fit_gordon_ng, gordon_ng_kw
from plantview.derive.learned.envelope import Envelope
from plantview.derive.learned.models import Model, Record
from plantview.derive.learned.steady import Blocks, Drift, held_back, steady_blocks
from plantview.derive.learned.tower import covered, fit_tower
from plantview.model.columns import Column, Flags, Floats, Ints
from plantview.model.plant import Equipment, Plant
from plantview.model.quality import Quality
from plantview.units import Unit

SAMPLES_MIN: Final = 100
"""Steady means of five minutes that ten terms need (our own choice)."""
DAYS_MIN: Final = 5
"""With fewer days there is none to hold back that differs."""
HELD_MIN: Final = 20
SPAN_MIN: Final = 0.2
"""Of the largest load or speed: what moved less teaches nothing about the machine."""
CV_MAX_PCT: Final = 5.0
"""A model that misses its own held-back days by more is no normal (our own choice)."""
RMSE_MAX_K: Final = 1.0
BAND_PCT: Final = 95.0
STEADY_K: Final = 0.3
_WORDS: Final = {
    "chiller": (("load", "kW", 0.0), ("entering condenser water", "°C", 1.0), ("leaving chilled water", "°C", 0.5)),
    "tower_cell": (("range", "K", 0.5), ("wet bulb", "°C", 1.0), ("water over the cell", "L/s", 0.0), ("fan speed", "%", 5.0)),
}  # fmt: skip
"""Inputs of each model: name, unit, width of a bin (0: a twelfth of the largest)."""
_BINS: Final = 12


@dataclass(frozen=True, slots=True)
class Task:
    """What is gathered of one machine: signals (inputs, target, then others that must be sound) and their drifts."""

    machine: str
    kind: str
    names: tuple[str, ...]
    averaged: tuple[str, ...]
    """Signals whose mean is the last input (fans of one cell); empty where there is none."""
    proof: tuple[str, ...]
    drifts: tuple[Drift, ...]
    """Of ``names`` and of the mean of ``averaged``."""


@dataclass(frozen=True, slots=True)
class Refused:
    """Why a machine has no new model."""

    why: str


@dataclass(slots=True)
class _Gathered:
    at_ms: list[Ints] = field(default_factory=list)
    values: list[Floats] = field(default_factory=list)


def chiller_task(plant: Plant, chiller: Equipment) -> Task:
    """Return what a chiller's models are made of: load, CWS, CHWS, power, and CHWR for Gordon-Ng."""
    own = chiller.id
    names = ("cooling_load", "cws_temp", "chws_temp")
    signals = (*(f"{own}.{name}" for name in names), power_signal(plant, own) or f"{own}.power", f"{own}.chwr_temp")
    still = Drift(STEADY_K)
    drifts = (Drift(0.0, 0.04), still, still, Drift(0.0, 0.04), still)
    return Task(own, "chiller", signals, (), (f"{own}.kw_per_ton",), drifts)


def cell_task(plant: Plant, cell: Equipment) -> Task:
    """Return what a tower cell's model is made of: range, wet bulb, water, approach, and the fans' speed."""
    own, still = cell.id, Drift(STEADY_K)
    signals = (f"{own}.range", "PLANT.wet_bulb", f"{own}.water_over", f"{own}.approach")
    fans = tuple(f"{fan.id}.speed" for fan in plant.parts_of(own, "fan"))
    return Task(
        own, "tower_cell", signals, fans, (f"{own}.effectiveness",), (still, still, Drift(0.0, 0.05), still, Drift(3.0))
    )


class Learning:
    """Takes stretch after stretch of readings, measured and derived, then fits every machine."""

    def __init__(self, plant: Plant, units: Mapping[str, Unit], step_ms: int) -> None:
        self._units, self._step_ms = units, step_ms
        self.tasks = (
            *(chiller_task(plant, each) for each in plant.of_kind("chiller")),
            *(cell_task(plant, each) for each in plant.of_kind("tower_cell")),
        )
        self._gathered = {task.machine: _Gathered() for task in self.tasks}

    def take(self, at_ms: Ints, columns: Mapping[str, Column]) -> None:
        """Keep what is sound of a stretch: every signal of a machine read and GOOD, its gates open."""
        for task in self.tasks:
            wanted = (*task.names, *task.averaged)
            if any(name not in columns for name in (*wanted, *task.proof)) or (
                task.kind == "tower_cell" and not task.averaged
            ):
                continue
            sound = np.ones(at_ms.size, np.bool_)
            for name in (*wanted, *task.proof):
                sound &= (columns[name].quality == Quality.GOOD) & np.isfinite(columns[name].values)
            rows = [self._canonical(name, columns[name].values[sound]) for name in task.names]
            if task.averaged:
                rows.append(
                    np.mean([self._canonical(name, columns[name].values[sound]) for name in task.averaged], axis=0)
                )
            kept = self._gathered[task.machine]
            kept.at_ms.append(at_ms[sound])
            kept.values.append(np.array(rows))

    def models(self, now_ms: int) -> dict[str, Model | Refused]:
        """Return a model of every machine, or why there is none."""
        return {task.machine: self._fitted(task, now_ms) for task in self.tasks}

    def _canonical(self, name: str, values: Floats) -> Floats:
        unit = self._units[name]
        return values * unit.factor + unit.offset

    def _fitted(self, task: Task, now_ms: int) -> Model | Refused:
        gathered = self._gathered[task.machine]
        if not gathered.at_ms:
            missing = next((name for name in (*task.names, *task.proof) if name not in self._units), "its fans' speed")
            return Refused(f"{missing} is not measured and cannot be worked out")
        at_ms, values = np.concatenate(gathered.at_ms), np.concatenate(gathered.values, axis=1)
        blocks = steady_blocks(at_ms, values, self._step_ms, task.drifts)
        held = held_back(blocks.days)
        why = _too_little(blocks, held, at_ms.size)
        if why:
            return Refused(why)
        raw = values[:, np.isin(at_ms // 86_400_000, np.unique(blocks.days)[2::5])]
        try:
            return _FITS[task.kind](blocks, held, raw, now_ms)
        except (ValueError, np.linalg.LinAlgError) as error:
            return Refused(str(error))


def _too_little(blocks: Blocks, held: Flags, sound: int) -> str:
    count, days = blocks.at_ms.size, np.unique(blocks.days).size
    if days < DAYS_MIN:
        found = f"{sound} sound readings, {count} steady means of five minutes on {days} days"
        return f"too few days: {found}; {DAYS_MIN} are needed"
    if np.sum(~held) < SAMPLES_MIN or np.sum(held) < HELD_MIN:
        needed = f"{SAMPLES_MIN} to learn from and {HELD_MIN} to be judged by"
        return (
            f"too few: {np.sum(~held)} steady means of five minutes and {np.sum(held)} held back; {needed} are needed"
        )
    return ""


def _narrow(name: str, unit: str, values: Floats) -> str:
    low, high = float(values.min()), float(values.max())
    if high - low >= SPAN_MIN * high:
        return ""
    return f"too narrow: {name} only moved from {low:.1f} to {high:.1f} {unit}; a fifth of the highest is needed"


def _named(kind: str, inputs: Sequence[Floats]) -> list[tuple[str, str, float]]:
    return [
        (name, unit, step or max(float(each.max()) / _BINS, 1e-6))
        for (name, unit, step), each in zip(_WORDS[kind], inputs, strict=True)
    ]


def _remarks(kind: str, inputs: Sequence[Floats]) -> tuple[str, ...]:
    """Return which inputs hardly moved: the model holds only at that value of them."""
    return tuple(
        f"{name} only moved from {float(each.min()):.1f} to {float(each.max()):.1f} {unit}"
        for (name, unit, step), each in zip(_WORDS[kind], inputs, strict=True)
        if step and float(each.max() - each.min()) < 2.0 * step
    )


def _chiller(blocks: Blocks, held: Flags, raw: Floats, now_ms: int) -> Model:
    seen = blocks.values[:, ~held]
    why = _narrow("load", "kW", seen[0])
    if why:
        raise ValueError(why)
    scaled, coefficients = fit_biquadratic(seen[0], seen[1], seen[2], seen[3])
    b = fit_gordon_ng(seen[4], seen[1], seen[0], seen[3])
    envelope = Envelope.of(_named("chiller", list(seen[:3])), list(seen[:3]))
    numbers = (*(each for pair in scaled for each in pair), *coefficients, *b)

    def expected(values: Floats) -> Floats:
        return np.asarray(biquadratic_kw(values[0], values[1], values[2], scaled, coefficients), np.float64)

    beside = blocks.values[:, held]
    by_gordon = gordon_ng_kw(beside[4], beside[1], beside[0], b)
    known = np.isfinite(by_gordon)
    miss = float(np.sqrt(np.mean((beside[3] - by_gordon)[known] ** 2)) / np.mean(beside[3])) if known.any() else np.inf
    record = _judged(blocks, held, raw, envelope, 3, expected, now_ms)
    if record.cv_rmse_pct > CV_MAX_PCT:
        raise ValueError(
            f"it misses its own held-back days by {record.cv_rmse_pct:.1f} %; above {CV_MAX_PCT:g} % it is no normal"
        )
    gordon = 100.0 * miss if np.isfinite(miss) else None
    full = _with(record, gordon, _remarks("chiller", list(seen[:3])))
    return Model("chiller", tuple(map(float, numbers)), envelope, full)


def _tower(blocks: Blocks, held: Flags, raw: Floats, now_ms: int) -> Model:
    order = (0, 1, 2, 4)
    seen = blocks.values[:, ~held]
    across, wet, water, air = (seen[at] for at in order)
    form = fit_tower(across, wet, water, air, seen[3])
    inside = covered(across, wet, water / form[0], air)
    inputs = [seen[at][inside] for at in order]
    envelope = Envelope.of(_named("tower_cell", inputs), inputs)
    placeholder = Model("tower_cell", form, envelope, Record(0, 0, 0, 0, 0, 0.0, 0.0, 0.0))

    def expected(values: Floats) -> Floats:
        return np.asarray(placeholder.expected(*(values[at] for at in order)), np.float64)

    record = _judged(blocks, held, raw, envelope, 3, expected, now_ms, order)
    if record.rmse > RMSE_MAX_K:
        raise ValueError(
            f"it misses its own held-back days by {record.rmse:.1f} K; above {RMSE_MAX_K:g} K it is no normal"
        )
    return Model("tower_cell", form, envelope, _with(record, None, _remarks("tower_cell", inputs)))


def _judged(
    blocks: Blocks, held: Flags, raw: Floats, envelope: Envelope, target: int,
    expected: Callable[[Floats], Floats], now_ms: int, order: Sequence[int] = (0, 1, 2),
) -> Record:  # fmt: skip
    """Return how well held-back days are met, where the model may be asked."""
    beside = blocks.values[:, held]
    beside = beside[:, envelope.holds([beside[at] for at in order])]
    single = raw[:, envelope.holds([raw[at] for at in order])]
    if beside.shape[1] < HELD_MIN or not single.shape[1]:
        raise ValueError(
            f"only {beside.shape[1]} of {np.sum(held)} steady means of the held-back days are like the others; {HELD_MIN} are needed"
        )
    rmse = float(np.sqrt(np.mean((beside[target] - expected(beside)) ** 2)))
    band = float(np.percentile(np.abs(single[target] - expected(single)), BAND_PCT))
    return Record(
        now_ms, int(blocks.at_ms[0]), int(blocks.at_ms[-1]), int(np.sum(~held)), beside.shape[1], rmse,
        100.0 * rmse / float(np.mean(beside[target])), band,
    )  # fmt: skip


def _with(record: Record, gordon_ng_cv_rmse_pct: float | None, remarks: tuple[str, ...]) -> Record:
    return Record(
        record.learned_ms, record.from_ms, record.to_ms, record.samples, record.held_back, record.rmse,
        record.cv_rmse_pct, record.band, gordon_ng_cv_rmse_pct, remarks,
    )  # fmt: skip


_FITS: Final[Mapping[str, Callable[[Blocks, Flags, Floats, int], Model]]] = {"chiller": _chiller, "tower_cell": _tower}
