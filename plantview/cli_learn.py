"""``plantview learn``: models of what each machine is used to, fitted to its stored readings."""

from __future__ import annotations

import argparse
from collections.abc import Iterator, Mapping
from typing import Final

from plantview.cli_progress import Progress
from plantview.cli_span import span_of
from plantview.clock import SystemClock, local_text
from plantview.config import load_plant
from plantview.config.bundled import data_folder, plant_folder
from plantview.derive import Derivation
from plantview.derive.learned import Learned, Model
from plantview.derive.learned.learning import Learning, Refused
from plantview.derive.learned.models import write_models
from plantview.errors import StartRefused
from plantview.history import Archive
from plantview.importing.replay import stepping, stretches
from plantview.model.columns import Reasons
from plantview.model.plant import Plant
from plantview.model.signal import signal_of
from plantview.process import EXIT_FAILED, EXIT_OK

STEP_S_LEAST: Final = 60.0
"""Means of five minutes gain nothing from more readings, and a month of them takes four times as long."""


def learn(args: argparse.Namespace) -> int:
    """Fit a model of every machine, keep those that can be had, and say of each what came of it."""
    folder = plant_folder(args.plant_dir)
    plant = load_plant(folder)
    data = data_folder(args.data, folder)
    archive = Archive.of(plant, data)
    span = span_of(args.start, args.end, plant.zone, archive.extent())
    before = Learned(data, plant.id)
    if before.trouble:
        raise StartRefused(f"{before.trouble}; move it away, or learn into another folder with --data")
    found = _learned(plant, archive, span)
    new = {machine: model for machine, model in found.items() if isinstance(model, Model)}
    if new:
        write_models(data, plant.id, {**before.models, **new})
    print("\n".join(said(plant, found, before.models)))
    return EXIT_OK if new else EXIT_FAILED


def _learned(plant: Plant, archive: Archive, span: tuple[int, int]) -> dict[str, Model | Refused]:
    signals = [signal_of(point) for point in plant.points.values()]
    steps = stepping(signals, archive.ranges, span, STEP_S_LEAST)
    step_ms, periods, whole, done = steps.step_ms, steps.periods, steps.count, 0
    progress = Progress(f"{whole} steps of {step_ms / 1_000:g} s")
    derivation, reasons = Derivation(plant), Reasons()
    learning, sweep = Learning(plant, derivation.units, step_ms), derivation.sweep()
    for at_ms, columns in stretches(signals, archive.ranges, span, step_ms, periods, reasons):
        learning.take(at_ms, {**columns, **sweep.run(at_ms, columns, reasons)})
        done += at_ms.size
        progress(done, whole)
    progress.done()
    return learning.models(SystemClock().now_ms())


def said(plant: Plant, found: Mapping[str, Model | Refused], before: Mapping[str, Model]) -> Iterator[str]:
    """Yield of each machine what was fitted, over what, how well it is met, or why there is none."""
    for machine, model in found.items():
        if isinstance(model, Refused):
            older = before.get(machine)
            kept = f"; the model of {local_text(older.record.learned_ms, plant.zone)} stays" if older else ""
            yield f"{machine}: not learned: {model.why}{kept}"
            continue
        record, unit = model.record, "kW" if model.kind == "chiller" else "K"
        yield (
            f"{machine}: learned from {record.samples} steady means of five minutes,"
            f" {local_text(record.from_ms, plant.zone)} to {local_text(record.to_ms, plant.zone)}"
        )
        yield (
            f"  held-back days: {record.held_back} means missed by {record.rmse:.2g} {unit}"
            f" (CV-RMSE {record.cv_rmse_pct:.1f} %); 19 of 20 single readings within {record.band:.2g} {unit}"
        )
        if record.gordon_ng_cv_rmse_pct is not None:
            yield f"  Gordon-Ng, three parameters: CV-RMSE {record.gordon_ng_cv_rmse_pct:.1f} %"
        ranges = ", ".join(f"{axis.name} {axis.low:.1f} to {axis.high:.1f} {axis.unit}" for axis in model.envelope.axes)
        yield f"  holds where seen together: {ranges}"
        yield from (f"  note: {remark}" for remark in record.remarks)
