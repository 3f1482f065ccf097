"""``plantview recompute``: derived values worked out again from stored readings; and what alarms would have said."""

from __future__ import annotations

import argparse
import asyncio
import tempfile
from collections.abc import Iterator, Mapping
from contextlib import ExitStack
from pathlib import Path
from typing import Final

from plantview.alarms import AlarmEngine, AlarmStore, compile_rules
from plantview.cli_keep import kept_by
from plantview.cli_progress import Progress
from plantview.cli_span import span_of
from plantview.clock import ManualClock, local_text
from plantview.config import load_plant
from plantview.config.bundled import data_folder, plant_folder
from plantview.derive import Derivation
from plantview.derive.learned import Learned
from plantview.history import Archive, Samples, Store
from plantview.importing.replay import frames, stepping, stretches, written
from plantview.importing.take import Keeper
from plantview.model.columns import Reasons
from plantview.model.plant import Plant
from plantview.model.reading import Frame
from plantview.model.signal import signal_of
from plantview.process import EXIT_OK

JOURNAL_MAX: Final = 200


def recompute(args: argparse.Namespace) -> int:
    """Work out the derived values of a span again and replace what is stored."""
    folder = plant_folder(args.plant_dir)
    plant = load_plant(folder)
    data = data_folder(args.data, folder)
    with ExitStack() as stack:
        derivation, reasons = Derivation(plant, Learned(data, plant.id)), Reasons()
        known = {point.name: signal_of(point) for point in plant.points.values()} | dict(derivation.signals)
        keeping = None if args.alarms else kept_by(stack, plant, data, known)
        # who holds the folder's lock reads what was not sealed yet too
        archive = Archive.of(plant, data, owner=isinstance(keeping, Store))
        span = span_of(args.start, args.end, plant.zone, archive.extent())
        signals = [signal_of(point) for point in plant.points.values()]
        steps = stepping(signals, archive.ranges, span)
        step_ms, periods, whole = steps.step_ms, steps.periods, steps.count
        progress = Progress(f"{whole} steps of {step_ms / 1_000:g} s")
        if keeping is None:
            stepped = _told(frames(signals, archive.range, span, step_ms, periods), whole, progress)
            said = asyncio.run(_alarms(plant, stepped, span[0]))
            progress.done()
            print("\n".join(said))
            return EXIT_OK
        sweep, done, kept = derivation.sweep(), 0, 0
        for at_ms, columns in stretches(signals, archive.ranges, span, step_ms, periods, reasons):
            kept += _write(keeping, written(at_ms, sweep.run(at_ms, columns, reasons), reasons))
            done += at_ms.size
            progress(done, whole)
        progress.done()
    print(
        f"{kept} readings of {len(derivation.signals)} derived values were worked out again,"
        f" {local_text(span[0], plant.zone)} to {local_text(span[1], plant.zone)}"
    )
    return EXIT_OK


def _told(stepped: Iterator[Frame], whole: int, progress: Progress) -> Iterator[Frame]:
    for number, frame in enumerate(stepped, 1):
        progress(number, whole)
        yield frame


def _write(keeping: Keeper, found: Mapping[str, Samples]) -> int:
    keeping.backfill(found)
    return sum(len(samples.at_ms) for samples in found.values())


async def _alarms(plant: Plant, stepped: Iterator[Frame], start_ms: int) -> list[str]:
    """Return what the alarms would have said; a dry run on a clock and a journal of its own."""
    derivation = Derivation(plant)
    signals = {point.name: signal_of(point) for point in plant.points.values()} | dict(derivation.signals)
    rules, _ = compile_rules(plant, signals)
    clock = ManualClock(start_ms)
    with tempfile.TemporaryDirectory() as folder:
        engine = AlarmEngine(rules, clock, AlarmStore(Path(folder), clock))
        for frame in stepped:
            await clock.advance((frame.at_ms - clock.now_ms()) / 1_000)
            derived = derivation.run(frame)
            engine.evaluate(Frame(frame.seq, frame.at_ms, {**frame.readings, **derived.readings}), {})
        rows = engine.journal(JOURNAL_MAX, None)
        engine.close()
    lines = [
        f"{local_text(row['at_ms'], plant.zone)}  {row['kind']:<8} {row['priority'] or '-'} {row['equipment']:<10} {row['text']}"
        for row in reversed(rows)
    ]
    return [f"dry replay, nothing was written; the last {len(lines)} changes of {len(rules)} alarms:", *lines]
